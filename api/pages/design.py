"""The page of a site's design check."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from api.access.needs import needs
from api.access.scope import READ
from api.designs import DesignsDep
from api.headers import page
from api.pages.design_pictures import design_pictures
from api.pages.design_tables import lever_tables, month_tables, outlet_table, simple_table, storm_table, year_table
from api.pages.templates import read_by, render
from api.service import SiteDep
from api.speech import Speaker
from forecast.sizing.finding import KINDS

router = APIRouter(include_in_schema=False)


@router.api_route("/sites/{site}/design", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def design_page(request: Request, site: SiteDep, designs: DesignsDep) -> Response:
    reader, check = read_by(request), designs.of(site)
    speaker = Speaker.to(reader, site.zone)
    figures = check.figures
    findings = {kind: [one.says for one in check.findings if one.kind == kind] for kind in KINDS}
    tables = [
        *month_tables(figures, speaker),
        year_table(figures, speaker),
        storm_table(figures, speaker),
        *outlet_table(figures, speaker),
        *lever_tables(figures, speaker),
        simple_table(figures, speaker),
    ]
    html = render(
        "design.html",
        reader,
        site=site,
        speaker=speaker,
        findings=findings,
        pictures=design_pictures(figures, speaker),
        tables=tables,
    )
    return page(request, html)
