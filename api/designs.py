"""The design checks of the sites, each kept until its rain record changes; they are made in a process of their own."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Annotated, cast

from fastapi import Depends, Request

from api.problems import ProblemError
from forecast.backroom import Backroom
from forecast.sizing.result import DesignCheck
from ingest.errors import RecordFileError, SettingsError
from ingest.site import Site


class Designs:
    """rain: folder of rain records, SITE.csv each; None or no file there: the site's monthly means stand in."""

    def __init__(self, rain: Path | None, backroom: Backroom) -> None:
        self._rain = rain
        self._backroom = backroom
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[float | None, DesignCheck]] = {}

    def of(self, site: Site) -> DesignCheck:
        """The check of a site. Raises ProblemError where there is no rain to check it with, or AsideError."""
        file = self._rain / f"{site.id}.csv" if self._rain is not None else None
        changed = file.stat().st_mtime if file is not None and file.exists() else None
        kept = self._kept.get(site.id)
        if kept is not None and kept[0] == changed:
            return kept[1]
        with self._lock:  # who asks for what is being made waits for it
            kept = self._kept.get(site.id)
            if kept is not None and kept[0] == changed:
                return kept[1]
            try:
                check: DesignCheck = self._backroom.ask(
                    "forecast.sizing.apart:design_check_with", site, None if changed is None else file
                )
            except (RecordFileError, SettingsError) as error:
                detail = str(error).replace(str(file), file.name) if file is not None else str(error)
                raise ProblemError(404, "no-design", "No design check", detail) from error
            self._kept[site.id] = (changed, check)
            return check


def _designs_of(request: Request) -> Designs:
    return cast(Designs, request.app.state.designs)


DesignsDep = Annotated[Designs, Depends(_designs_of)]
