"""A site's account, and the same months with something changed."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Query

from api.access.needs import needs
from api.access.scope import READ
from api.account_schema import AccountOut, WhatIfOut, account_out, what_if_out
from api.problems import ProblemError, refused
from api.routes.span import span
from api.schemas import Instant
from api.service import Service, ServiceDep, SiteDep
from forecast.account.measured import read_measured
from forecast.account.result import Account
from ingest.errors import RecordFileError, SettingsError, SiteFileError
from ingest.instants import DAY_MS, HOUR_MS
from ingest.site import Site

router = APIRouter(tags=["account"])

USUAL_MS: Final = 365 * DAY_MS
#: A longer account than this takes seconds: ask for it in parts.
LONGEST_MS: Final = 3 * 366 * DAY_MS
#: More changes than this are no question any more.
MOST_CHANGES: Final = 20

Start = Annotated[Instant | None, Query(description="From this instant on; absent: a year before `end`.")]
End = Annotated[Instant | None, Query(description="Up to, not including, this instant; absent: now.")]


@router.get(
    "/sites/{site}/account",
    dependencies=[needs(READ)],
    summary="Designed yield against actual, and the shortfall by cause",
)
def account(site: SiteDep, service: ServiceDep, start: Start = None, end: End = None) -> AccountOut:
    return account_out(account_of(site, service, start, end))


@router.get("/sites/{site}/what-if", dependencies=[needs(READ)], summary="The measured months with something changed")
def what_if(
    site: SiteDep,
    service: ServiceDep,
    change: Annotated[
        list[str],
        Query(
            description="A figure of the site file and its value; several are made together.",
            examples=[["tank.main.overflow_height_m=2.4"]],
            min_length=1,
            max_length=MOST_CHANGES,
        ),
    ],
    start: Start = None,
    end: End = None,
) -> WhatIfOut:
    try:
        return what_if_out(_made("what_if_with", site, service, start, end, change))
    except (SettingsError, SiteFileError) as error:
        raise refused(("query.change", str(error))) from error


def account_of(site: Site, service: Service, start: str | None, end: str | None) -> Account:
    """The account of the hours that are asked for."""
    found: Account = _made("account_with", site, service, start, end)
    return found


def designed(site: Site) -> Site:
    """The site, if its file says what was promised; else a 404."""
    if site.design is None:
        detail = "The site file has no [design] with rain_mm, twelve months: there is nothing to compare with."
        raise ProblemError(404, "no-design", "No design", detail)
    return site


def _made(name: str, site: Site, service: Service, start: str | None, end: str | None, *more: object) -> Any:
    """What `forecast.account.apart` makes of what was measured; its libraries would cost this process 200 MB.

    The site's rain record, if there is one, tells hours without a gauge.
    """
    site = designed(site)
    start_ms, end_ms = span(start, end, service.clock(), USUAL_MS)
    if end_ms // HOUR_MS <= -(-start_ms // HOUR_MS):
        raise refused(("query.start", "a full hour at least between `start` and `end`"))
    if end_ms - start_ms > LONGEST_MS:
        raise refused(("query.start", "at most three years before `end`"))
    file = service.settings.rain / f"{site.id}.csv" if service.settings.rain is not None else None
    record = file if file is not None and file.exists() else None
    seen = read_measured(site, service.readings, start_ms, end_ms)
    try:
        return service.backroom.ask(f"forecast.account.apart:{name}", site, seen, record, *more)
    except RecordFileError as error:
        detail = f"The site's rain record cannot be read: {str(error).replace(str(file), f'{site.id}.csv')}"
        raise ProblemError(404, "no-rain-record", "No rain record", detail) from error
