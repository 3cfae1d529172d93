"""The pages: all sites at a glance, and one site."""

from __future__ import annotations

from typing import NamedTuple
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response

from api.access.needs import CallerDep, needs
from api.access.scope import READ
from api.alarms.standing import standings, standings_beside
from api.current import SiteState, read_state
from api.headers import page
from api.languages.reader import Reader
from api.pages.advice import advice
from api.pages.alarms import alarm_lines
from api.pages.detail import disbelieved, input_rows, refused, sensor_rows, tank_detail
from api.pages.forms import to_write_down
from api.pages.logbook import Line, last_lines
from api.pages.measured import first_level_ms
from api.pages.pictures import battery_picture, flow_pictures
from api.pages.record import track
from api.pages.summary import Summary, summarise
from api.pages.templates import read_by, render
from api.pages.upkeep import LOG_MS, Supply, Task, supply, tasks_of
from api.service import Service, ServiceDep, SiteDep
from api.speech import Speaker
from ingest.site import Site

router = APIRouter(include_in_schema=False)


@router.api_route("/", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def overview(request: Request, service: ServiceDep, caller: CallerDep) -> Response:
    reader, now_ms = read_by(request), service.clock()
    summaries = [_look(site, service, reader, now_ms).summary for site in service.sites.values()]
    installation = alarm_lines(standings(service.records, None, now_ms))
    html = render(
        "overview.html",
        reader,
        person=caller,
        summaries=sorted(summaries, key=lambda summary: summary.urgency),
        installation=installation,
        speaker=Speaker.to(reader, ZoneInfo("UTC")),
    )
    return page(request, html)


@router.api_route("/sites/{site}", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def site_page(request: Request, site: SiteDep, service: ServiceDep, caller: CallerDep) -> Response:
    reader, now_ms = read_by(request), service.clock()
    look = _look(site, service, reader, now_ms)
    state, speaker = look.state, look.summary.speaker
    forecast = None if state.forecast is None else state.forecast.forecast
    html = render(
        "site.html",
        reader,
        person=caller,
        now_ms=now_ms,
        summary=look.summary,
        speaker=speaker,
        details=[tank_detail(state, tank, service, speaker) for tank in state.tanks],
        battery_picture=battery_picture(state, service, speaker),
        # Whole days gone by: they change only when a backlog arrives.
        flow_pictures=service.hourly.get(
            ("flows", site.id, speaker), now_ms, lambda: flow_pictures(state, service, speaker)
        ),
        inputs=input_rows(state, speaker),
        sensors=sensor_rows(state, speaker),
        advice=advice(state, look.supply),
        disbelieved=disbelieved(state),
        refused=refused(state, service),
        supply=look.supply,
        tasks=look.tasks,
        written=look.written,
        to_write_down=to_write_down(site),
        track=track(site, service, now_ms),
        reasons=[] if forecast is None else forecast.reasons,
        unknown=[] if forecast is None else forecast.unknown,
    )
    return page(request, html)


class _Look(NamedTuple):
    """What was read of a site for its pages."""

    state: SiteState
    supply: Supply | None
    tasks: list[Task]
    written: list[Line]
    summary: Summary


def _look(site: Site, service: Service, reader: Reader, now_ms: int) -> _Look:
    state = read_state(site, service.readings, service.records, now_ms, service.settings)
    log = service.records.log(site.id, now_ms - LOG_MS, now_ms + 1)
    tasks, opened = tasks_of(site, log), supply(state, log)
    summary = summarise(
        state,
        standings_beside(service.records, site, now_ms, None if opened is None else opened.stands),
        tasks,
        opened,
        first_level_ms(site, service.readings, now_ms),
        Speaker.to(reader, site.zone),
    )
    return _Look(state, opened, tasks, last_lines(site, log), summary)
