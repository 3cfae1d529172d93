"""The page of a site's account, and the monthly report to print."""

from __future__ import annotations

import re
from typing import Final

from fastapi import APIRouter, Request, Response

from api.access.needs import needs
from api.access.scope import READ
from api.headers import page
from api.pages.account_pictures import PICTURES
from api.pages.account_tables import (
    called,
    flow_table,
    learned_tables,
    month_table,
    part_table,
    season_table,
)
from api.pages.templates import read_by, render
from api.problems import refused
from api.routes.account import account_of
from api.service import ServiceDep, SiteDep
from api.speech import Speaker
from forecast.account.result import Account, Period
from forecast.account.words import CAUSES, lead
from ingest.instants import HOUR_MS, from_datetime, to_datetime, to_rfc3339
from ingest.saying import Figure, Saying, instant, name, number, say
from ingest.site import Site

router = APIRouter(include_in_schema=False)

#: So many months stand in the pictures of a report; with fewer, little is learnt of roofs and tanks.
REPORT_MONTHS: Final = 12
#: A month of which less than this share is known is no month's account (a rule of ours).
ENOUGH: Final = 0.9


@router.api_route("/sites/{site}/account", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def account_page(request: Request, site: SiteDep, service: ServiceDep) -> Response:
    reader = read_by(request)
    speaker = Speaker.to(reader, site.zone)
    end_ms = service.clock()
    first_ms = months_before(site, end_ms, REPORT_MONTHS)
    found = account_of(site, service, to_rfc3339(first_ms), to_rfc3339(end_ms))
    html = render(
        "account.html",
        reader,
        site=site,
        speaker=speaker,
        found=found,
        lead=lead(found, found.whole),
        causes=CAUSES,
        pictures=[(speaker.say(title), draw(found.months, speaker)) for title, draw in PICTURES],
        tables=[
            month_table(found, speaker),
            part_table(found.whole, speaker),
            flow_table(found.whole, speaker),
            season_table(found, speaker),
            *learned_tables(found, speaker),
        ],
        reports=[(month.name, called(month, speaker)) for month in reversed(found.months)],
    )
    return page(request, html)


@router.api_route("/sites/{site}/report", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def report_page(
    request: Request,
    site: SiteDep,
    service: ServiceDep,
    month: str | None = None,
) -> Response:
    reader = read_by(request)
    speaker = Speaker.to(reader, site.zone)
    found, reported = report_of(site, service, month)
    html = render(
        "account_report.html",
        reader,
        site=site,
        speaker=speaker,
        found=found,
        month=called(reported, speaker),
        incomplete=incomplete(site, reported, service.clock()),
        reported=reported,
        lead=lead(found, reported),
        causes=CAUSES,
        pictures=[(speaker.say(title), draw(found.months, speaker)) for title, draw in (PICTURES[0], PICTURES[2])],
        tables=[part_table(reported, speaker), flow_table(reported, speaker)],
        made=say("Made {time}.", time=instant(service.clock())),
    )
    return page(request, html)


def report_of(site: Site, service: ServiceDep, month: str | None) -> tuple[Account, Period]:
    """The account of the year up to the end of a month, by default the last whole one, and that month."""
    now_ms = service.clock()
    start_ms = months_before(site, now_ms, 1) if month is None else _start(site, month, now_ms)
    if start_ms >= now_ms:
        raise refused(("query.month", say("a month that has begun, such as {month}", month=_last(site, now_ms))))
    end_ms = min(now_ms, months_before(site, start_ms, -1))
    first_ms = months_before(site, start_ms, REPORT_MONTHS - 1)
    found = account_of(site, service, to_rfc3339(first_ms), to_rfc3339(end_ms))
    return found, found.months[-1]


def months_before(site: Site, time_ms: int, count: int) -> int:
    """Start of the local month so many months before the one that holds the instant. [UTC ms]"""
    local = to_datetime(time_ms).astimezone(site.zone)
    months = local.year * 12 + local.month - 1 - count
    return from_datetime(
        local.replace(
            year=months // 12, month=months % 12 + 1, day=1, hour=0, minute=0, second=0, microsecond=0, fold=0
        )
    )


def incomplete(site: Site, month: Period, now_ms: int) -> Saying | None:
    """That the figures of a month are of a part of it, which is no month's account; None: they are of all of it."""
    start_ms = months_before(site, month.start_ms, 0)
    end_ms = min(now_ms, months_before(site, start_ms, -1))
    hours, known = (end_ms - start_ms) // HOUR_MS, {"drawn": number(month.drawn_h)}
    if month.drawn_h < ENOUGH * hours:
        return say(
            "This is no month's account: what was drawn is known in {drawn} of {hours} hours of the month.",
            hours=number(hours), **known,
        )  # fmt: skip
    if end_ms == now_ms:
        return say("This is no month's account yet: the month is not over.")
    return None


def _last(site: Site, now_ms: int) -> Figure:
    """The last whole month, as an address names it."""
    return name(f"{to_datetime(months_before(site, now_ms, 1)).astimezone(site.zone):%Y-%m}")


def _start(site: Site, month: str, now_ms: int) -> int:
    """Start of a local month, year-month. [UTC ms] Raises ProblemError."""
    if not re.fullmatch(r"[12][0-9]{3}-(0[1-9]|1[0-2])", month, re.ASCII):
        raise refused(("query.month", say("a year and a month, such as {month}", month=_last(site, now_ms))))
    year, _, number_ = month.partition("-")
    local = to_datetime(0).astimezone(site.zone)
    return from_datetime(
        local.replace(year=int(year), month=int(number_), day=1, hour=0, minute=0, second=0, microsecond=0)
    )
