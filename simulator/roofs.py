"""From rain on a roof to water at the tank, minute by minute. Litres, millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.site import Roof
from simulator.faults import Fault, by_minute
from simulator.sun import Floats, drying_mm
from simulator.weather import Weather

#: Time constant of the water's way over roof and gutter. [min]
_LAG_MIN: Final = 2.5
#: Less than this on its way has arrived. [L]
_DROP_L: Final = 1e-6


@dataclass(frozen=True)
class RoofTrace:
    """Where the rain on one roof went, by minute. [L]

    rain·area = dried + splashed + over_gutter + first_flush + inflow
                + the change of what wets the roof and of what is on its way
    dried        wetted the roof and went to the air
    splashed     lost to splash, wind and seepage: the share that the runoff coefficient leaves out
    over_gutter  more than gutter and downpipe could carry
    first_flush  into the first-flush chamber, never to reach the tank
    chamber      held in the chamber at the end of the minute
    inflow       into the tank
    """

    dried: Floats
    splashed: Floats
    over_gutter: Floats
    first_flush: Floats
    chamber: Floats
    inflow: Floats


class RoofRun:
    """One roof and its state.

    wet_mm      held by the wet surface [mm]
    on_way_l    running over roof and gutter [L]
    chamber_l   held in the first-flush chamber [L]
    dry_min     minutes since it last rained
    """

    def __init__(self, roof: Roof, faults: Sequence[Fault]) -> None:
        self.roof = roof
        self.wet_mm = 0.0
        self.on_way_l = 0.0
        self.chamber_l = 0.0
        self.dry_min = 0
        self._faults = faults

    def run(self, weather: Weather, emptied: set[int]) -> RoofTrace:
        """Go through the weather; `emptied` holds the minutes at which somebody empties the chamber."""
        roof, minutes = self.roof, weather.minutes
        area, hold_mm = roof.plan_area_m2, roof.wetting_loss_mm
        coefficient = (roof.runoff_coefficient * np.maximum(0, 1 - self._fault("roof-coefficient", weather))).tolist()
        clear = np.maximum(0.0, 1 - self._fault("gutter-blocked", weather)).tolist()
        open_valve = self._fault("first-flush-open", weather).tolist()
        drying = drying_mm(weather.sun_w_m2, weather.air_cel).tolist()
        arriving = 1 - math.exp(-1 / _LAG_MIN)
        dried, splashed, over, flushed, chamber, inflow = ([0.0] * minutes for _ in range(6))

        for i, rain in enumerate(weather.rain_mm.tolist()):
            if rain > 0:
                self.dry_min = 0
                # A surface fills unevenly: the first drops all stay, the last ones hardly.
                soaked = (hold_mm - self.wet_mm) * -math.expm1(-rain / hold_mm) if hold_mm else 0.0
                self.wet_mm += soaked
                reaching = (rain - soaked) * area
                splashed[i] = reaching * (1 - coefficient[i])
                self.on_way_l += reaching - splashed[i]
            else:
                self.dry_min += 1
            if self.wet_mm:
                lost_mm = min(self.wet_mm, drying[i])
                self.wet_mm -= lost_mm
                dried[i] = lost_mm * area
            if self.on_way_l:
                arrived = self.on_way_l if self.on_way_l < _DROP_L else self.on_way_l * arriving
                self.on_way_l -= arrived
                carried = self._through_gutter(arrived, clear[i])
                over[i] = arrived - carried
                flushed[i] = self._into_chamber(carried, open_valve[i])
                inflow[i] = carried - flushed[i]
            self._drain_chamber(open_valve[i], emptied=i in emptied)
            chamber[i] = self.chamber_l
        return RoofTrace(*map(np.array, (dried, splashed, over, flushed, chamber, inflow)))

    def _fault(self, kind: str, weather: Weather) -> Floats:
        return by_minute(self._faults, kind, self.roof.id, weather.start_ms, weather.minutes)

    def _through_gutter(self, arrived_l: float, clear: float) -> float:
        if self.roof.gutter_capacity_l_min is None:
            return arrived_l * clear
        return min(arrived_l, self.roof.gutter_capacity_l_min * clear)

    def _into_chamber(self, carried_l: float, open_valve_l: float) -> float:
        chamber = self.roof.first_flush
        if chamber is None:
            return 0.0
        # What an open valve lets out within the minute makes room for more.
        taken = min(carried_l, max(0.0, chamber.volume_l + open_valve_l - self.chamber_l))
        self.chamber_l += taken
        return taken

    def _drain_chamber(self, open_valve_l: float, *, emptied: bool) -> None:
        chamber = self.roof.first_flush
        if chamber is None or not self.chamber_l:
            return
        by_itself = chamber.empties_after_dry_h is not None and self.dry_min >= chamber.empties_after_dry_h * 60
        if emptied or by_itself:
            self.chamber_l = 0.0
        else:
            self.chamber_l = max(0.0, self.chamber_l - chamber.drip_l_h / 60 - open_valve_l)
