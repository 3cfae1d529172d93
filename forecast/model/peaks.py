"""How hard it rains within an hour of which only the total is known."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: Roof and gutter answer to rain within so many minutes (common practice, no source).
ANSWER_MIN: Final = 10.0
#: Durations whose yearly largest falls tell how intensity rises as they shorten. [h]
_DURATIONS_H: Final = (1, 2, 3, 6)
_YEAR_H: Final = 8766
#: Largest falls of fewer years say too little.
FEWEST_YEARS: Final = 2


def peak_factor(rain_mm: Floats) -> float | None:
    """Intensity of the hardest minutes of a hard hour over that hour's mean, from an hourly record.

    rain_mm  rain of each hour, NaN where unknown (H,) [mm]. None: fewer than two years, or hardly any rain.

    Simple scaling: the mean of the yearly largest intensities goes with duration to the power of −β
    (Menabde et al. 1999, Water Resources Research 35, from memory). β is read off 1 to 6 h and
    taken to hold down to the minutes that matter: (60 / 10 min)^β.
    """
    years = len(rain_mm) // _YEAR_H
    if years < FEWEST_YEARS:
        return None
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(rain_mm[: years * _YEAR_H]))])
    largest = []
    for duration in _DURATIONS_H:
        falls = total[duration:] - total[:-duration]
        by_year = [falls[year * _YEAR_H : (year + 1) * _YEAR_H].max() for year in range(years)]
        largest.append(np.mean(by_year) / duration)
    if min(largest) <= 0.0:
        return None
    slope = np.polyfit(np.log(_DURATIONS_H), np.log(largest), 1)[0]
    return float((60.0 / ANSWER_MIN) ** np.clip(-slope, 0.0, 1.0))
