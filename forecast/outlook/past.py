"""What a weather service said of a place, kept until what fell is known: the cases of a correction.

One file a site and source: for each day of issue what the ensemble said of each coming day, in
the terms that a correction needs, and in time the rain that the site's gauge measured on it.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from forecast.outlook.emos import FEWEST_CASES, Emos, fit_emos, predictors
from forecast.outlook.ensemble import Floats, Outlook
from ingest.instants import DAY_MS, HOUR_MS
from ingest.private import private_folder

log = logging.getLogger("ullage.outlook")

#: Days ahead that are kept, and how many days of issue: three years.
LEAD_DAYS: Final = 10
MOST_ISSUES: Final = 1_100
#: A correction is fitted again when so many cases have come.
REFIT_CASES: Final = 10
_DAY_H: Final = 24


class Said(msgspec.Struct, array_like=True):
    """An ensemble's word on one day, see `emos.predictors`."""

    members: int
    mean_root: float
    log_sd_root: float


class Issue(msgspec.Struct):
    """The outlook of one day: said[d] of lead day d, and fell[d] the rain measured on it [mm]; None: not known."""

    first_ms: int
    said: list[Said | None]
    fell: list[float | None]


class Fit(msgspec.Struct):
    """A fitted correction and the size of the ensembles that it was fitted on."""

    members: int
    cases: int
    coefficients: tuple[float, float, float, float]


class Past(msgspec.Struct):
    """The whole file; fits by lead day."""

    issues: list[Issue] = []
    fits: dict[int, Fit] = {}


class PastOutlooks:
    """The past of one source at one site, in a file. A file that cannot be read or written is only logged."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._past = self._read()

    def note(self, outlook: Outlook, rain_start_ms: int, rain_mm: Floats, now_ms: int) -> None:
        """Keep today's outlook, the first of the day, and fill in what was measured since.

        outlook        as the service gave it, neither blended nor corrected
        rain_start_ms, rain_mm  measured rain by the hour [mm], NaN where not measured
        """
        issues = self._past.issues
        changed = [self._fill(issue, rain_start_ms, rain_mm) for issue in issues]
        first_ms = (now_ms // DAY_MS + 1) * DAY_MS
        new = not issues or issues[-1].first_ms < first_ms
        if new:
            said = [_said(outlook, first_ms + day * DAY_MS) for day in range(LEAD_DAYS)]
            issues.append(Issue(first_ms, said, [None] * LEAD_DAYS))
            del issues[:-MOST_ISSUES]
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
                for issue in self._past.issues
                if (said := issue.said[day]) is not None and said.members == members
                if (fell := issue.fell[day]) is not None
            ]
            if len(cases) < FEWEST_CASES:
                continue
            fit = self._past.fits.get(day)
            if fit is None or fit.members != members or not 0 <= len(cases) - fit.cases < REFIT_CASES:
                predicted = np.array([(said.mean_root, said.log_sd_root) for said, _ in cases])
                fitted = fit_emos(predicted, np.array([fell for _, fell in cases]))
                fit = self._past.fits[day] = Fit(members, fitted.cases, fitted.coefficients)
                self._write()
            found[day] = Emos(fit.coefficients, fit.cases)
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

    def _read(self) -> Past:
        try:
            return msgspec.json.decode(self._file.read_bytes(), type=Past)
        except FileNotFoundError:
            return Past()
        except (OSError, msgspec.DecodeError) as error:
            log.warning("past outlooks in %s cannot be read (%s): begun anew", self._file, error)
            return Past()

    def _write(self) -> None:
        try:
            private_folder(self._file.parent)
            whole = self._file.with_suffix(".new")
            whole.write_bytes(msgspec.json.encode(self._past))
            whole.replace(self._file)
        except OSError as error:
            log.warning("past outlooks cannot be kept in %s: %s", self._file, error)


def _said(outlook: Outlook, start_ms: int) -> Said | None:
    """What the ensemble says of a day, None where any hour of it is unknown."""
    day = outlook.over(start_ms, _DAY_H).rain_mm
    if np.isnan(day).any():
        return None
    mean_root, log_sd_root = predictors(day.sum(axis=0)[None, :])[0]
    return Said(outlook.members, round(float(mean_root), 4), round(float(log_sd_root), 4))
