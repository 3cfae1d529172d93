"""The design checks of the sites, kept until a rain record changes; the balance is loaded when first asked for."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

from fastapi import Depends, Request

from api.problems import ProblemError
from ingest.errors import RecordFileError, SettingsError
from ingest.site import Site

if TYPE_CHECKING:
    from forecast.sizing.check import DesignCheck


class Designs:
    """rain: folder of rain records, SITE.csv each; None or no file there: the site's monthly means stand in."""

    def __init__(self, rain: Path | None) -> None:
        self._rain = rain
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[float | None, DesignCheck]] = {}

    def of(self, site: Site) -> DesignCheck:
        """The check of a site. Raises ProblemError where there is no rain to check it with."""
        from forecast.outlook.record import read_record  # noqa: PLC0415 - pandas and numba, for whoever asks
        from forecast.sizing.check import design_check  # noqa: PLC0415

        file = self._rain / f"{site.id}.csv" if self._rain is not None else None
        changed = file.stat().st_mtime if file is not None and file.exists() else None
        with self._lock:  # one at a time: it takes a second of a processor
            kept = self._kept.get(site.id)
            if kept is not None and kept[0] == changed:
                return kept[1]
            try:
                check = design_check(site, read_record(file) if file is not None and changed is not None else None)
            except (RecordFileError, SettingsError) as error:
                detail = str(error).replace(str(file), file.name) if file is not None else str(error)
                raise ProblemError(404, "no-design", "No design check", detail) from error
            self._kept[site.id] = (changed, check)
            return check


def _designs_of(request: Request) -> Designs:
    return cast(Designs, request.app.state.designs)


DesignsDep = Annotated[Designs, Depends(_designs_of)]
