"""Head and flow at each draw's outlet, and where a pump works; friction by Darcy and Weisbach through `fluids`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from fluids.friction import one_phase_dP
from scipy.optimize import brentq

from forecast.sizing.result import OutletCheck
from ingest.pipework import Line, Pump
from ingest.site import Draw, Site
from ingest.units import LITRES_PER_M3

#: Water at 10 °C (from memory of tables): cold water is the harder case.
DENSITY_KG_M3: Final = 999.7
VISCOSITY_PA_S: Final = 1.307e-3
GRAVITY_M_S2: Final = 9.80665
_L_MIN: Final = 1.0 / LITRES_PER_M3 / 60.0
#: No tap of such a supply gives more. [L/min]
_MOST_L_MIN: Final = 5_000.0


def speed_m_s(line: Line, flow_l_min: float) -> float:
    """Mean speed in the pipe."""
    return float(flow_l_min * _L_MIN / (np.pi * (line.pipe_diameter_mm / 1000) ** 2 / 4))


def loss_m(line: Line, flow_l_min: float) -> float:
    """Head lost to friction and fittings, the speed at the outlet counted among these. [m]"""
    if flow_l_min <= 0.0:
        return 0.0
    friction_pa = one_phase_dP(
        m=flow_l_min * _L_MIN * DENSITY_KG_M3, rho=DENSITY_KG_M3, mu=VISCOSITY_PA_S,
        D=line.pipe_diameter_mm / 1000, roughness=line.pipe_roughness_mm / 1000, L=line.pipe_length_m,
    )  # fmt: skip
    fittings_m = line.fittings_k * speed_m_s(line, flow_l_min) ** 2 / (2 * GRAVITY_M_S2)
    return float(friction_pa / (DENSITY_KG_M3 * GRAVITY_M_S2) + fittings_m)


def gravity_flow_l_min(line: Line, level_m: float) -> float:
    """What comes out of the open outlet with the water standing at a level, the head it needs left to it."""
    head = level_m - line.outlet_above_floor_m - line.head_needed_m
    return _flow(lambda flow: head - loss_m(line, flow))


def pumped_flow_l_min(line: Line, pump: Pump, level_m: float) -> float:
    """Where the pump's curve meets the pipe's. Beyond the curve's end it gives no head. [L/min]"""
    flows, heads = pump.curve_flow_l_min, pump.curve_head_m
    if flows is None or heads is None:
        return min(pump.flow_l_min, _MOST_L_MIN)
    lift = line.outlet_above_floor_m + line.head_needed_m - level_m
    return _flow(lambda flow: float(np.interp(flow, flows, heads)) - lift - loss_m(line, flow), flows[-1])


def outlet_check(site: Site, draw: Draw) -> OutletCheck | None:
    """One draw's outlet, the tank full and nearly empty; None where its pipe is not described."""
    line = draw.line
    if line is None:
        return None
    tank = next(tank for tank in site.tank if tank.id == draw.tank)
    full_m, low_m = tank.overflow_height_m, tank.outlet_height_m
    loss, rise = loss_m(line, line.flow_l_min), line.outlet_above_floor_m
    if draw.feed == "pumped" and site.pump is not None:
        flows = [pumped_flow_l_min(line, site.pump, level) for level in (full_m, low_m)]
        heads = [rise + line.head_needed_m - level + loss for level in (full_m, low_m)]
        enough = site.pump.curve_flow_l_min is None or flows[1] >= line.flow_l_min
        return _outlet(draw, line, loss, heads, flows, low_m if enough else None, _efficiency(site.pump, line, low_m))
    flows = [gravity_flow_l_min(line, level) for level in (full_m, low_m)]
    heads = [level - rise - loss for level in (full_m, low_m)]
    level = rise + line.head_needed_m + loss
    return _outlet(draw, line, loss, heads, flows, level if level <= full_m else None, None)


def _outlet(
    draw: Draw, line: Line, loss: float, heads: list[float], flows: list[float], level: float | None,
    efficiency: float | None,
) -> OutletCheck:  # fmt: skip
    return OutletCheck(
        draw=draw.id, feed=draw.feed, flow_l_min=line.flow_l_min,
        speed_m_s=round(speed_m_s(line, line.flow_l_min), 2), loss_m=round(loss, 2),
        head_full_m=round(heads[0], 2), head_low_m=round(heads[1], 2),
        flow_full_l_min=round(flows[0], 1), flow_low_l_min=round(flows[1], 1),
        level_needed_m=None if level is None else round(max(0.0, level), 2),
        efficiency=None if efficiency is None else round(efficiency, 2),
    )  # fmt: skip


def _efficiency(pump: Pump, line: Line, level_m: float) -> float | None:
    """Power that goes into the water over the pump's own, where both are known."""
    if pump.curve_flow_l_min is None:
        return None
    flow = pumped_flow_l_min(line, pump, level_m)
    head = float(np.interp(flow, pump.curve_flow_l_min, pump.curve_head_m or []))
    return DENSITY_KG_M3 * GRAVITY_M_S2 * flow * _L_MIN * head / pump.power_w


def _flow(spare_head_m: Callable[[float], float], most_l_min: float = _MOST_L_MIN) -> float:
    """The flow at which no head is left over; 0 where there is none even without flow."""
    if spare_head_m(0.0) <= 0.0:
        return 0.0
    if spare_head_m(most_l_min) > 0.0:
        return most_l_min
    return float(brentq(spare_head_m, 0.0, most_l_min, xtol=1e-6))
