"""What people write beside a sensor: in which unit, and when it is asked back."""

from __future__ import annotations

import pytest

from api.commissioning.written import Doubt, doubt, written
from api.languages.reader import Units
from api.speech import Speaker
from ingest.site import Sensor, Site
from tests.api.commissioning.test_commissioning_checks import SPEAKER, sensor_of


def level_of(site: Site) -> Sensor:
    return sensor_of(site, "tank.main.level")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.35", 1.35),
        ("1,35", 1.35),
        (" 1,35 m ", 1.35),
        (",9", 0.9),
        ("135 cm", 1.35),
        ("1350mm", 1.35),
        # 1 in is 25.4 mm and 1 ft is 12 in, exactly (NIST Handbook 44, appendix C; from memory).
        ("53 in", 1.3462),
        ("4.5 ft", 1.3716),
        ("53 pulg.", 1.3462),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1.234.567", 1234567.0),
    ],
)
def test_a_number_is_read_with_point_or_comma_and_with_its_unit(skerrow_head: Site, text: str, value: float) -> None:
    found = written(text, level_of(skerrow_head), "litre")
    assert found is not None
    assert found.value == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "deep", "1.35 parsecs", "--1", "m", "nan", "1e3"])
def test_what_is_no_number_is_not_read(skerrow_head: Site, text: str) -> None:
    assert written(text, level_of(skerrow_head), "litre") is None


def test_a_bare_number_is_in_the_readers_unit(skerrow_head: Site) -> None:
    level, rain, meter = (
        sensor_of(skerrow_head, measures) for measures in ("tank.main.level", "rain.total", "draw.taps.total")
    )
    for sensor, inside in ((level, 0.0254), (rain, 25.4), (meter, 3.785411784)):
        found = written("1", sensor, "us-gallon")
        assert found is not None
        assert found.value == pytest.approx(inside)


def asked(site: Site, text: str, heard: float | None, units: Units = "litre", measures: str = "") -> Doubt | None:
    sensor = sensor_of(site, measures or "tank.main.level")
    wrote = written(text, sensor, units)
    assert wrote is not None
    return doubt(wrote, sensor, site, heard)


@pytest.mark.parametrize(
    ("text", "heard", "meant", "unit"),
    [
        ("135", None, 1.35, "centimetres"),
        ("135", 1.36, 1.35, "centimetres"),
        ("1350", None, 1.35, "millimetres"),
        # Both could be: the sensor tells which.
        ("53", 1.35, 1.3462, "inches"),
        ("53", 0.52, 0.53, "centimetres"),
        ("4.43", 1.35, 1.350264, "feet"),
    ],
)
def test_a_level_that_cannot_be_is_asked_back_in_the_unit_that_makes_sense(
    skerrow_head: Site, text: str, heard: float | None, meant: float, unit: str
) -> None:
    found = asked(skerrow_head, text, heard)
    assert found is not None
    assert not found.possible
    assert found.meant == pytest.approx(meant)
    assert found.in_unit is not None
    assert SPEAKER.say(found.in_unit) == unit


def test_a_level_that_can_be_is_asked_back_only_where_another_unit_agrees(skerrow_head: Site) -> None:
    feet = asked(skerrow_head, "1.6", 0.49)
    assert feet is not None
    assert feet.possible
    assert feet.meant == pytest.approx(0.48768)
    assert asked(skerrow_head, "1.35", 1.36) is None
    assert asked(skerrow_head, "1.35", 0.7) is None  # no unit mends that: it is written down, and said to be apart
    assert asked(skerrow_head, "1.6", None) is None
    assert asked(skerrow_head, "1.6 m", 0.49) is None  # the unit was written


def test_inches_taken_for_centimetres(skerrow_head: Site) -> None:
    found = asked(skerrow_head, "135", 1.36, "us-gallon")
    assert found is not None
    assert found.meant == pytest.approx(1.35)
    assert Speaker(SPEAKER.zone, units="us-gallon").say(found.in_unit or "") == "centimetres"


def test_a_voltage_in_millivolts_and_an_amount_of_any_size(skerrow_head: Site) -> None:
    found = asked(skerrow_head, "12620", None, measures="battery.voltage")
    assert found is not None
    assert found.meant == pytest.approx(12.62)
    nonsense = asked(skerrow_head, "1262", None, measures="battery.voltage")
    assert nonsense is not None
    assert nonsense.meant is None
    assert asked(skerrow_head, "5000", None, measures="draw.taps.total") is None
