"""The reference of site-file keys, and the key that was meant."""

from __future__ import annotations

import json
import re

import pytest

from api.notify.recipients import Recipients
from ingest.expected import PATTERNS
from ingest.part import Part
from ingest.reading import QUANTITIES
from ingest.site import Site
from ingest.sitekeys import keys_table, near_key, site_keys
from ingest.units import SENT_UNITS


def test_every_key_has_a_meaning_and_says_whether_it_is_required() -> None:
    assert [key for key in site_keys() if not key.meaning or not key.expected] == []
    found = {(key.table, key.key): key for key in site_keys()}
    area = found["[[roof]]", "plan_area_m2"]
    assert (area.required, area.expected) == (True, "number above 0, to 50000")
    assert found["[roof.first_flush]", "drip_l_h"].default == "0.0"
    assert found['[[tank]] shape = "rectangular"', "width_m"].required
    assert found["[battery]", "chemistry"].expected == 'one of "flooded", "agm", "gel", "lifepo4"'


@pytest.mark.parametrize(
    ("path", "wrong", "meant"),
    [
        (("roof",), "plan_aera", "plan_area_m2"),
        (("tank", "rectangular"), "widht_m", "width_m"),
        (("tank", "rectangular"), "diameter_m", None),
        ((), "tanks", "tank"),
        (("roof", "first_flush"), "volume", "volume_l"),
        (("draw", "line"), "lenght_m", "pipe_length_m"),
        (("roof",), "area", "plan_area_m2"),
        (("battery",), "xyz", None),
    ],
)
def test_the_near_key_is_of_the_table_that_it_stands_in(path: tuple[str, ...], wrong: str, meant: str | None) -> None:
    assert near_key(path, wrong) == meant


def test_every_quantity_stands_in_the_table_with_every_unit_that_may_be_sent() -> None:
    rows = {line.split("|")[1].strip(): line for line in keys_table().splitlines() if line.startswith("| `")}
    for quantity in QUANTITIES:
        row = rows[f"`{quantity.pattern}`"]
        assert quantity.meaning in row
        assert all(f"`{unit}`" in row for unit in SENT_UNITS[quantity.unit])


@pytest.mark.parametrize("model", [Site, Recipients])
def test_every_pattern_of_a_text_is_said_in_words(model: type[Part]) -> None:
    assert set(re.findall(r'"pattern": "((?:[^"\\]|\\.)*)"', json.dumps(model.model_json_schema()))) <= {
        json.dumps(pattern)[1:-1] for pattern in PATTERNS
    }
