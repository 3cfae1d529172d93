"""Every shape of tank against `fluids`, level by level and volume by volume."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pytest
from fluids.geometry import TANK

from forecast.model.geometry import geometry_of
from ingest.site import HorizontalCylinder

BOTH: Final = ("sideA", "sideB")


def lying(**ends: Any) -> HorizontalCylinder:
    size: dict[str, Any] = {"diameter_m": 1.2, "length_m": 3.0, "outlet_height_m": 0.1, "overflow_height_m": 1.2}
    return HorizontalCylinder(id="h", shape="horizontal_cylinder", **size, **ends)


def both(kind: str, **sizes: float) -> dict[str, Any]:
    return dict.fromkeys(BOTH, kind) | {f"{side}_{name}": size for side in BOTH for name, size in sizes.items()}


SHAPES: Final = {
    "flat": (lying(), {}),
    "elliptical": (lying(ends="elliptical"), both("ellipsoidal", a=0.3)),
    "shallow": (lying(ends="elliptical", end_depth_m=0.1), both("ellipsoidal", a=0.1)),
    "dished": (lying(ends="dished"), both("torispherical", f=1.0, k=0.1)),
    "sharp": (
        lying(ends="dished", crown_radius_m=1.08, knuckle_radius_m=0.072),
        both("torispherical", f=0.9, k=0.06),
    ),
}


@pytest.mark.parametrize("name", SHAPES)
def test_a_lying_cylinder_agrees_with_fluids(name: str) -> None:
    tank, ends = SHAPES[name]
    ours, theirs = geometry_of(tank), TANK(D=1.2, L=3.0, horizontal=True, **ends)
    for level in np.linspace(0.01, 1.19, 60).tolist():
        volume = theirs.V_from_h(level)
        assert float(ours.volume_l(level)) / 1000 == pytest.approx(volume, rel=1e-6, abs=2e-7)
        assert float(ours.level_m(volume * 1000)) == pytest.approx(level, rel=1e-6, abs=1e-6)
    assert ours.capacity_l / 1000 == pytest.approx(theirs.V_total, rel=1e-6)


def test_the_values_that_fluids_gave_before() -> None:
    # fluids 1.3, elliptical ends 0.3 m deep: 3.84531 m³ in all, 0.734005 m³ at 0.3 m.
    ours = geometry_of(lying(ends="elliptical", end_depth_m=0.3))
    assert ours.capacity_l == pytest.approx(3845.31, abs=0.01)
    assert float(ours.volume_l(0.3)) == pytest.approx(734.005, abs=0.002)


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        ({"ends": "flat", "end_depth_m": 0.2}, "end_depth_m only with"),
        ({"ends": "elliptical", "knuckle_radius_m": 0.1}, "only with ends"),
        ({"ends": "dished", "crown_radius_m": 0.5}, "a crown_radius_m of at least, half the diameter_m"),
        ({"ends": "dished", "knuckle_radius_m": 0.7}, "a knuckle_radius_m below"),
        ({"open_top": True}, "a lying cylinder is closed"),
    ],
)
def test_ends_that_cannot_be_are_refused(ends: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        lying(**ends)
