"""Pipes and pump curves of a site file: what only the design check asks for, and all of it optional."""

from __future__ import annotations

import itertools
from typing import Annotated

from pydantic import Field, model_validator

from ingest.part import Height, LitresPerMinute, NotNegative, Part, Watts

#: New smooth plastic pipe. [mm] (from memory of friction charts: 0.0015 to 0.007)
SMOOTH_MM = 0.007
#: Entry, an open valve, a few bends and the tap, together, in velocity heads (common practice, no source).
USUAL_FITTINGS = 10.0

_Within50 = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-50, le=50)]
_Bore = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=4, le=300)]
_Run = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=5_000)]


class Line(Part):
    """The pipe from a tank to where a draw's water comes out.

    outlet_above_floor_m  height of the tap or nozzle above the tank's floor; below it: negative [m]
    pipe_length_m         length of the pipe [m]
    pipe_diameter_mm      inner diameter of the pipe [mm]
    pipe_roughness_mm     height of the roughness inside; a new plastic pipe has about 0.007 [mm]
    fittings_k            loss of entry, valves, bends and tap, in velocity heads, together
    flow_l_min            what should come out while it is open [L/min]
    head_needed_m         head that must be left at the outlet, for spray, drippers or a filter [m]
    """

    outlet_above_floor_m: _Within50
    pipe_length_m: _Run
    pipe_diameter_mm: _Bore
    pipe_roughness_mm: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=5)] = SMOOTH_MM
    fittings_k: NotNegative = USUAL_FITTINGS
    flow_l_min: LitresPerMinute
    head_needed_m: Height = 0.0


class Pump(Part):
    """What lifts the water of pumped draws.

    power_w           power while running [W]
    flow_l_min        flow delivered in the balance [L/min]
    curve_flow_l_min  the maker's curve: flows, rising from 0 [L/min]
    curve_head_m      heads at these flows, falling [m]
    """

    power_w: Watts
    flow_l_min: LitresPerMinute
    curve_flow_l_min: list[NotNegative] | None = None
    curve_head_m: list[NotNegative] | None = None

    @model_validator(mode="after")
    def _a_curve(self) -> Pump:
        flows, heads = self.curve_flow_l_min, self.curve_head_m
        if flows is None and heads is None:
            return self
        if (
            flows is None or heads is None or len(flows) != len(heads) or len(flows) < 2 or flows[0] != 0
            or any(a >= b for a, b in itertools.pairwise(flows)) or any(a <= b for a, b in itertools.pairwise(heads))
        ):  # fmt: skip
            raise ValueError(
                "as many curve_flow_l_min as curve_head_m, two or more, flows rising from 0, heads falling"
            )
        return self
