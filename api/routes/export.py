"""Tables to take away: streamed, so that memory stays flat, and to be taken up again where they broke off."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Path, Query
from fastapi.responses import StreamingResponse

from api.access.needs import needs
from api.access.scope import READ
from api.problems import refused
from api.routes.account import account_of
from api.routes.span import span
from api.schemas import Instant
from api.service import Service, ServiceDep, SiteDep
from forecast.account.rows import Row, account_rows, forecast_rows, hourly_rows, reading_rows
from forecast.account.writing import csv_pieces, parquet_pieces
from ingest.errors import SettingsError
from ingest.instants import DAY_MS
from ingest.site import Site

router = APIRouter(tags=["export"])

Table = Literal["readings", "hourly", "account", "forecasts"]
Form = Literal["csv", "parquet"]
USUAL_MS: Final = 31 * DAY_MS
MEDIA_TYPES: Final[dict[Form, str]] = {
    "csv": "text/csv; charset=utf-8; header=present",
    "parquet": "application/vnd.apache.parquet",
}

_ROWS = "sensor,time,value,unit,flags\npost-1/level,2026-03-01T00:05:00Z,1.31,m,\n"


@router.get(
    "/sites/{site}/export/{table}",
    dependencies=[needs(READ)],
    summary="A table as CSV or Parquet, streamed",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "The table.",
            "content": {"text/csv": {"example": _ROWS}, MEDIA_TYPES["parquet"]: {"example": "PAR1…"}},
        }
    },
)
def export(
    site: SiteDep,
    service: ServiceDep,
    table: Annotated[Table, Path(description="Which table.", examples=["readings"])],
    form: Annotated[Form, Query(description="How it is written.")] = "csv",
    start: Annotated[Instant | None, Query(description="From this instant on; absent: 31 days before `end`.")] = None,
    end: Annotated[Instant | None, Query(description="Up to, not including, this instant; absent: now.")] = None,
    sensor: Annotated[list[str] | None, Query(description="Only these sensors, device/name.", max_length=200)] = None,
    after: Annotated[
        str | None,
        Query(
            description="Go on after this row, without the header: its key columns, with commas between. Of readings "
            "and hours sensor,time; of the account month; of forecasts issued,tank,lead_h.",
            examples=["post-1/level,2026-03-01T00:05:00Z"],
        ),
    ] = None,
) -> StreamingResponse:
    try:
        rows = _rows(site, service, table, start, end, sensor or [], after)
        pieces = parquet_pieces(table, rows) if form == "parquet" else csv_pieces(table, rows, header=after is None)
        # The first piece is made before the answer begins, so that what is wrong is still told as a problem.
        ready = list(itertools.islice(pieces, 2))
    except SettingsError as error:
        raise refused(("query", str(error))) from error
    name = f'attachment; filename="{site.id}-{table}.{form}"'
    return StreamingResponse(
        itertools.chain(ready, pieces), media_type=MEDIA_TYPES[form], headers={"Content-Disposition": name}
    )


def _rows(
    site: Site,
    service: Service,
    table: Table,
    start: str | None,
    end: str | None,
    sensors: list[str],
    after: str | None,
) -> Iterator[Row]:
    if table == "account":
        return account_rows(account_of(site, service, start, end), after)
    start_ms, end_ms = span(start, end, service.clock(), USUAL_MS)
    if table == "forecasts":
        return forecast_rows(site, service.records.forecasts, start_ms, end_ms, after)
    make = reading_rows if table == "readings" else hourly_rows
    return make(site, service.readings, start_ms, end_ms, sensors, after)
