"""What a weather service said of a place, kept until what fell is known: the cases of a correction.

One file a site and source, one line a day of issue: the members' totals of each coming day,
and in time the rain that the site's gauge measured on it.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from forecast.outlook.emos import FEWEST_CASES, Emos, fit_emos
from forecast.outlook.ensemble import Floats, Outlook
from ingest.instants import DAY_MS, HOUR_MS

log = logging.getLogger("ullage.outlook")

#: Days ahead that are kept, and how many days of issue: three years.
LEAD_DAYS: Final = 10
MOST_ISSUES: Final = 1_100
_DAY_H: Final = 24


class Issue(msgspec.Struct):
    """The outlook of one day: said[d] the members' totals on lead day d, fell[d] the measured one. [mm]"""

    first_ms: int
    said: list[list[float] | None]
    fell: list[float | None]


class PastOutlooks:
    """The past of one source at one site, in a file. A file that cannot be read or written is only logged."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._issues = self._read()

    def note(self, outlook: Outlook, rain_start_ms: int, rain_mm: Floats, now_ms: int) -> None:
        """Keep today's outlook, the first of the day, and fill in what was measured since.

        outlook        as the service gave it, neither blended nor corrected
        rain_start_ms, rain_mm  measured rain by the hour [mm], NaN where not measured
        """
        changed = [self._fill(issue, rain_start_ms, rain_mm) for issue in self._issues]
        first_ms = (now_ms // DAY_MS + 1) * DAY_MS
        new = not self._issues or self._issues[-1].first_ms < first_ms
        if new:
            said = [_totals(outlook, first_ms + day * DAY_MS) for day in range(LEAD_DAYS)]
            self._issues.append(Issue(first_ms, said, [None] * LEAD_DAYS))
            del self._issues[:-MOST_ISSUES]
        if new or any(changed):
            self._write()

    def fits(self, members: int) -> dict[int, Emos]:
        """A correction for each lead day that has cases enough; lead day 0 begins at the next midnight UTC.

        members  only cases of as many count: an ensemble of another size is another model's
        """
        found: dict[int, Emos] = {}
        for day in range(LEAD_DAYS):
            cases = [
                (said, fell)
                for issue in self._issues
                if (said := issue.said[day]) is not None and len(said) == members
                if (fell := issue.fell[day]) is not None
            ]
            if len(cases) >= FEWEST_CASES:
                found[day] = fit_emos(np.array([said for said, _ in cases]), np.array([fell for _, fell in cases]))
        return found

    def _fill(self, issue: Issue, rain_start_ms: int, rain_mm: Floats) -> bool:
        changed = False
        for day, fell in enumerate(issue.fell):
            first = (issue.first_ms + day * DAY_MS - rain_start_ms) // HOUR_MS
            if fell is not None or first < 0 or first + _DAY_H > len(rain_mm):
                continue
            hours = rain_mm[first : first + _DAY_H]
            if not np.isnan(hours).any():
                issue.fell[day] = float(hours.sum())
                changed = True
        return changed

    def _read(self) -> list[Issue]:
        try:
            return msgspec.json.decode(self._file.read_bytes(), type=list[Issue])
        except FileNotFoundError:
            return []
        except (OSError, msgspec.DecodeError) as error:
            log.warning("past outlooks in %s cannot be read (%s): begun anew", self._file, error)
            return []

    def _write(self) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            whole = self._file.with_suffix(".new")
            whole.write_bytes(msgspec.json.encode(self._issues))
            whole.replace(self._file)
        except OSError as error:
            log.warning("past outlooks cannot be kept in %s: %s", self._file, error)


def _totals(outlook: Outlook, start_ms: int) -> list[float] | None:
    """Each member's rain of a day, None where any hour of it is unknown. [mm]"""
    day = outlook.over(start_ms, _DAY_H).rain_mm
    return None if np.isnan(day).any() else [round(float(total), 2) for total in day.sum(axis=0)]
