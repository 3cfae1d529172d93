"""The battery's charge now, from its voltage and its balance; and what it allows in the days to come."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.facts import BatteryNow
from forecast.model.passage import bands, bands_of, quantiles
from forecast.model.plan import Plan
from forecast.model.power import RATED_C, charge_share, charge_share_sd
from forecast.outlook.ensemble import Outlook
from forecast.result import LEVELS, BatteryForecast, Passage
from ingest.site import Battery

Floats = npt.NDArray[np.float64]

#: How far the balance of the last days may be trusted by itself. [share]
BALANCE_SD: Final = 0.15
#: Error of a charge read from a voltage under load or sun. [share] (common practice, no source)
UNRESTED_SD: Final = 0.25
#: Place of the median among the five points.
_MEDIAN: Final = LEVELS.index(0.50)
#: Days for which hours of pumping are given.
PUMPING_DAYS: Final = 7


def measured_charge(
    battery: Battery, now: BatteryNow, balance_wh: Floats, full_wh: float, rng: np.random.Generator
) -> Floats:
    """Charge of the members once a voltage was heard. (M,) [Wh]

    balance_wh  what the balance of the last days says (M,) [Wh]

    Both say something, and weigh by their precision. A resting voltage outweighs the balance; one
    under load or sun only corrects it. The flatter the chemistry's curve, the less a voltage says.
    """
    volts = now.volts / battery.nominal_v
    balance = balance_wh / full_wh
    error = charge_share_sd(battery.chemistry, volts) if now.at_rest else UNRESTED_SD
    weight = BALANCE_SD**2 / (BALANCE_SD**2 + error**2)
    said = charge_share(battery.chemistry, volts) + error * rng.normal(size=balance.shape)
    wide = balance + BALANCE_SD * rng.normal(size=balance.shape)
    return np.asarray(np.clip(wide + weight * (said - wide), 0.0, 1.0) * full_wh)


def battery_temperature_c(outlook: Outlook) -> float:
    """Mean of the air to come, where the outlook has it; else the temperature of the rating. [°C]"""
    if outlook.temperature_c is None or np.isnan(outlook.temperature_c).all():
        return RATED_C
    return float(np.nanmean(outlook.temperature_c))


def battery_forecast(plan: Plan, charge_wh: Floats, sun_wh: Floats, cutoff: Passage) -> BatteryForecast | None:
    """The battery's part of the forecast; None where there is none.

    charge_wh, sun_wh  charge at the end of each coming hour, which is put in order where it lies, and the
                       panel's energy in it (H, M) [Wh]
    cutoff             when it is first down to the cut-off
    """
    if np.isinf(plan.battery_wh):
        return None
    pumping_h = bands(pumping_hours(plan, charge_wh[0], sun_wh), 1) if plan.pump_w > 0 else None
    soc = quantiles(charge_wh, in_place=True) / plan.battery_wh
    return BatteryForecast(
        start_soc=round(float(soc[_MEDIAN, 0]), 3),
        soc=bands_of(soc, 3),
        cutoff=cutoff,
        pumping_h=pumping_h,
    )


def pumping_hours(plan: Plan, charge_wh: Floats, sun_wh: Floats) -> Floats:
    """Hours of pumping that battery and sun allow from now to the end of each coming day. (days, M) [h]

    charge_wh (M,), sun_wh (H, M). What stands above the cut-off, and what the sun brings beyond the load
    that never stops, over what the pump takes: with the pump run while the sun shines, not before it.
    """
    days = min(PUMPING_DAYS, len(sun_wh) // 24)
    gain_wh = plan.charge_efficiency * sun_wh[: 24 * days] - plan.standing_w
    spare_wh = charge_wh - plan.cutoff_wh + np.cumsum(gain_wh.reshape(days, 24, -1).sum(axis=1), axis=0)
    most_h = 24.0 * np.arange(1, days + 1)[:, None]
    return np.asarray(np.clip(spare_wh / plan.pump_w, 0.0, most_h))
