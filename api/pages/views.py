"""The pages: all sites at a glance, and one site."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response

from api.current import read_state
from api.headers import page
from api.pages.advice import advice
from api.pages.detail import input_rows, refused, sensor_rows, tank_detail
from api.pages.pictures import battery_picture, flow_pictures
from api.pages.summary import alarm_lines, summarise
from api.pages.templates import read_by, render
from api.service import ServiceDep, SiteDep
from api.speech import Speaker
from ingest.watch import BROKER_SITE

router = APIRouter(include_in_schema=False)


@router.api_route("/", methods=["GET", "HEAD"])
def overview(request: Request, service: ServiceDep) -> Response:
    now_ms = service.clock()
    summaries = []
    for site in service.sites.values():
        state = read_state(site, service.readings, service.records, now_ms, service.settings)
        summaries.append(summarise(state, service.records.last_transitions(site.id)))
    broker = alarm_lines(service.records.last_transitions(BROKER_SITE).values(), ZoneInfo("UTC"))
    return page(request, render("overview.html", read_by(request), summaries=summaries, broker=broker))


@router.api_route("/sites/{site}", methods=["GET", "HEAD"])
def site_page(request: Request, site: SiteDep, service: ServiceDep) -> Response:
    state = read_state(site, service.readings, service.records, service.clock(), service.settings)
    summary = summarise(state, service.records.last_transitions(site.id))
    reader = read_by(request)
    speaker = Speaker(site.zone, reader.language, reader.units)
    details = [tank_detail(state, tank, service, speaker) for tank in state.tanks]
    forecast = None if state.forecast is None else state.forecast.forecast
    html = render(
        "site.html",
        reader,
        summary=summary,
        details=details,
        battery_picture=battery_picture(state, service, speaker),
        flow_pictures=flow_pictures(state, service, speaker),
        inputs=input_rows(state),
        sensors=sensor_rows(state),
        advice=advice(state),
        refused=refused(state, service),
        reasons=[] if forecast is None else forecast.reasons,
        unknown=[] if forecast is None else forecast.unknown,
    )
    return page(request, html)
