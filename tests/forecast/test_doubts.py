"""What `ullage check` warns of: nothing in the examples, and each contradiction."""

from __future__ import annotations

from typing import Any

import pytest

from forecast.doubts import doubts
from ingest.site import Site
from tests.forecast.sizing.made import site_of

BOX = {"id": "box", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0, "outlet_height_m": 0.0,
       "overflow_height_m": 2.0}  # fmt: skip
TAP = {"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 60.0}
LEVEL = {"device": "post", "name": "level", "measures": "tank.box.level"}
BACKUP = {"id": "mains", "changeover": "by itself", "tank": "box", "opens_below_l": 100.0, "flow_l_min": 5.0}


def test_the_examples_give_no_cause_for_doubt(skerrow_head: Site, tarn_orchard: Site) -> None:
    assert [*doubts(skerrow_head), *doubts(tarn_orchard), *doubts(site_of(sensor=[LEVEL]))] == []


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"design": None}, "a guess of 60 mm in every month"),
        ({"sensor": []}, "there will be no forecast"),
        ({"tank": [BOX, BOX | {"id": "spare"}]}, "no sensor measures tank.spare.level"),
        (
            {"sensor": [LEVEL, LEVEL | {"device": "spare"}]},
            "post/level and spare/level measure the same, tank.box.level",
        ),
        ({"draw": []}, "no [[draw]] wants water"),
        ({"draw": [TAP | {"litres_per_day": 0.0}]}, "no [[draw]] wants water"),
        ({"tank": [BOX | {"low_l": 2_000.0}]}, "tank box low_l = 2000: it gives 2000 L at most"),
        ({"draw": [TAP | {"reserve_l": 2_500.0}]}, "draw tap reserve_l = 2500: tank box gives 2000 L at most"),
        ({"backup": BACKUP | {"closes_above_l": 2_000.0}}, "backup closes_above_l = 2000"),
    ],
)
def test_each_doubt_is_said_once(changes: dict[str, Any], said: str) -> None:
    (doubt,) = doubts(site_of(**({"sensor": [LEVEL]} | changes)))
    assert said in doubt


def test_joined_tanks_share_one_level_and_what_they_give() -> None:
    tanks = [BOX | {"low_l": 3_000.0}, BOX | {"id": "two", "joined_with": "box"}]
    # low_l is of a tank alone, as its alarm is; a reserve is of the water of both.
    (doubt,) = doubts(site_of(tank=tanks, sensor=[LEVEL], draw=[TAP | {"reserve_l": 3_000.0}]))
    assert "tank box low_l = 3000: it gives 2000 L at most" in doubt
