"""What the handover sheet says of tanks that share a level, of reserves and of the pump: figures by hand."""

from __future__ import annotations

from typing import Any

from api.commissioning.handover import what_stands_here
from ingest.site import Site
from ingest.sitefile import parse_site
from tests.spoken import spoken

TANK: dict[str, Any] = {
    "id": "upper", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0,
    "outlet_height_m": 0.1, "overflow_height_m": 1.5,
}  # fmt: skip
LOWER = {**TANK, "id": "lower", "width_m": 2.0, "overflow_height_m": 1.2}


def site_of(lower: dict[str, Any]) -> Site:
    return parse_site(
        {
            "id": "s", "name": "A supply", "latitude": 50.0, "longitude": 0.0, "timezone": "UTC",
            "roof": [{"id": "roof", "plan_area_m2": 90.0, "runoff_coefficient": 0.9, "tank": "upper"}],
            "tank": [TANK, lower],
            "draw": [
                {"id": "tap", "tank": "upper", "feed": "gravity", "litres_per_day": 150.0},
                {"id": "beds", "tank": "lower", "feed": "pumped", "litres_per_day": 200.0, "reserve_l": 600.0},
            ],
            "pump": {"power_w": 120.0, "flow_l_min": 18.0},
            "battery": {"chemistry": "agm", "nominal_v": 12.0, "capacity_ah": 100.0, "low_v": 11.9, "cutoff_v": 11.4,
                        "panel_w": 100.0},
        },
        "test",
    )  # fmt: skip


def test_the_sheet_says_that_tanks_are_joined_and_what_a_shut_valve_does() -> None:
    said = " ".join(spoken(what_stands_here(site_of({**LOWER, "joined_with": "upper"}))))
    assert "Tanks upper and lower are joined at their feet" in said
    assert "the water leaves over the lowest brim, 1.20 m" in said
    assert "While a valve between them is shut" in said
    assert "joined" not in " ".join(spoken(what_stands_here(site_of(LOWER))))


def test_the_sheet_says_at_what_water_a_draw_stops() -> None:
    # 300 L lie below the outlets of both on 3 m², 600 L are reserved: 0.3 m. Of the lower alone: 800 L on 2 m².
    stops = "beds stops at a level of {}: the 600 L then left are for the others."
    assert stops.format("0.30 m") in spoken(what_stands_here(site_of({**LOWER, "joined_with": "upper"})))
    assert stops.format("0.40 m") in spoken(what_stands_here(site_of(LOWER)))


def test_the_sheet_says_what_the_pump_is() -> None:
    assert "Pump: 120 W while it runs, 18 L/min." in spoken(what_stands_here(site_of(LOWER)))
