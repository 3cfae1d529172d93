"""Conversions, and the refusal of units that the registry lacks."""

from __future__ import annotations

import pytest

from ingest.reading import QUANTITIES, quantity_of
from ingest.units import SENT_UNITS, scale_for


@pytest.mark.parametrize(
    ("inside", "sent", "value", "expected"),
    [
        ("m", "mm", 1310.0, 1.31),
        ("L", "m3", 1.5, 1500.0),
        ("L/h", "m3/s", 1 / 3600, 1000.0),
        ("L/h", "l/s", 0.25, 900.0),
        ("mm", "m", 0.012, 12.0),
        ("mm/h", "m/s", 1e-6, 3.6),
        ("V", "mV", 12650.0, 12.65),
        ("Cel", "K", 293.15, 20.0),
        ("1", "%", 55.0, 0.55),
    ],
)
def test_conversions(inside: str, sent: str, value: float, expected: float) -> None:
    scale = scale_for(inside, sent)
    assert value * scale.factor + scale.offset == pytest.approx(expected)


@pytest.mark.parametrize(
    ("inside", "sent", "said"),
    [
        ("L/h", "l/min", r"not in the SenML unit registry .*: send l/s \(divide by 60\)"),
        ("L/h", "lpm", r"divide by 60"),
        ("Cel", "degC", "send Cel"),
        ("L", "m", "does not fit this quantity: send one of m3, l"),
        ("V", "", "not in the SenML unit registry"),
    ],
)
def test_a_unit_that_cannot_be_taken_says_what_to_send(inside: str, sent: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        scale_for(inside, sent)


def test_every_quantity_has_units_that_devices_can_send() -> None:
    for quantity in QUANTITIES:
        assert quantity.unit in SENT_UNITS
        assert quantity_of(quantity.pattern.replace("*", "main"))[0] is quantity


def test_the_part_of_a_quantity() -> None:
    assert quantity_of("tank.main.level")[1] == "main"
    assert quantity_of("battery.voltage")[1] is None
    with pytest.raises(ValueError, match=r"one of tank\.\*\.level"):
        quantity_of("tank.main.depth")
