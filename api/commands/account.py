"""The command `ullage account`: designed yield against actual, the shortfall by cause, and what if."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.commands.tables import table, terminal
from api.options import DataOption, JsonOption, ReadingsOption, SiteArgument
from ingest.errors import SettingsError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from api.speech import Speaker
    from forecast.account.measured import Measured
    from forecast.account.result import Account, Period, WhatIf
    from forecast.outlook.record import RainRecord
    from ingest.site import Site

FromOption = Annotated[
    str | None, typer.Option("--from", help="Since then: 2026-01-01 (local midnight), or RFC 3339. Default: a year.")
]
ToOption = Annotated[str | None, typer.Option("--to", help="Until then, not including it. Default: now.")]

_YEAR = timedelta(days=365)


def account(
    site: SiteArgument,
    start: FromOption = None,
    end: ToOption = None,
    rain: Annotated[
        Path | None, typer.Option("--rain", help="Rain record for hours without a gauge: CSV with time,rain_mm.")
    ] = None,
    changes: Annotated[
        list[str] | None,
        typer.Option("--what-if", help="The same months with a figure changed: tank.main.overflow_height_m=2.4"),
    ] = None,
    data: DataOption = Path("ullage-data"),
    readings: ReadingsOption = "",
    as_json: JsonOption = False,
) -> None:
    """What the design promised, what came, and why: by month, with the parts of the shortfall."""
    import msgspec

    from forecast.account.account import account as make_account
    from forecast.account.whatif import what_if
    from forecast.outlook.record import read_record
    from ingest.sitefile import load_site

    described = load_site(site)
    record = None if rain is None else read_record(rain, described.zone)
    seen = measured(described, readings or str(data / "readings.db"), data, start, end, record)
    result: Account | WhatIf = what_if(described, seen, changes) if changes else make_account(described, seen, record)
    if as_json:
        typer.echo(msgspec.json.format(msgspec.json.encode(result), indent=2))
    elif changes:
        print_what_if(result, terminal())  # type: ignore[arg-type]
    else:
        print_account(described, result, terminal())  # type: ignore[arg-type]


def measured(
    site: Site, location: str, data: Path, start: str | None, end: str | None, rain: RainRecord | None = None
) -> Measured:
    """The hours of a site from where readings are kept. Raises SettingsError on times that enclose no hour."""
    from forecast.account.measured import read_measured
    from ingest.store.locate import open_readings

    start_ms, end_ms = span_of(site, start, end)
    store = open_readings(location, data=data)
    try:
        return read_measured(site, store, start_ms, end_ms, rain)
    finally:
        store.close()


def span_of(site: Site, start: str | None, end: str | None) -> tuple[int, int]:
    """`[from, to)` in UTC ms; a year up to now where nothing is said. Raises SettingsError."""
    from ingest.instants import HOUR_MS, from_datetime, to_datetime

    end_ms = time.time_ns() // 1_000_000 if end is None else instant_of(site, "--to", end)
    start_ms = from_datetime(to_datetime(end_ms) - _YEAR) if start is None else instant_of(site, "--from", start)
    if end_ms - start_ms < HOUR_MS:
        raise SettingsError("--from and --to: expected a --from at least an hour before --to")
    return start_ms, end_ms


def instant_of(site: Site, option: str, text: str) -> int:
    """A day as its local midnight, or an RFC 3339 time. [UTC ms] Raises SettingsError."""
    from ingest.instants import from_datetime, from_rfc3339

    try:
        if len(text) == len("2026-01-01"):
            return from_datetime(datetime.fromisoformat(text).replace(tzinfo=site.zone))
        return from_rfc3339(text)
    except ValueError:
        raise SettingsError(f"{option} {text}: expected a day such as 2026-01-01, or 2026-01-01T00:00:00Z") from None


def print_account(site: Site, found: Account, console: Console) -> None:
    """The account for people."""
    from api.speech import Speaker
    from forecast.account.words import CAUSES, lead

    speaker = Speaker(site.zone)
    first, *more = lead(found, found.whole)
    console.print(f"{site.id}: {speaker.say(first)}")
    for sentence in more:
        console.print(speaker.say(sentence))
    console.print(_by_month(found), _shares(found.whole, speaker), _flows(found.whole, speaker))
    for learned in found.roofs:
        trend = (
            ""
            if learned.trend_year is None
            else f"; {learned.trend_year:+.0%} ± {2 * (learned.trend_sd or 0):.0%} a year"
        )
        console.print(
            f"Roof {learned.roofs}: coefficient {learned.coefficient:.2f} ± {2 * learned.coefficient_sd:.2f} (file "
            f"{learned.file_coefficient:.2f}), loss {learned.loss_mm:.1f} ± {2 * learned.loss_sd_mm:.1f} mm (file "
            f"{learned.file_loss_mm:.1f}), from {learned.events} spells of rain{trend}"
        )
    for cause in found.whole.named:
        console.print(f"\n{speaker.say(CAUSES[cause.cause])} ({cause.share:.0%}): {speaker.say(cause.why)}")
        if cause.tell_apart is not None:
            console.print(f"  {speaker.say(cause.tell_apart)}")
    for sentence in (*found.basis, *found.notes, *found.cautions):
        console.print(f"\n{speaker.say(sentence)}", end="")
    console.print()


def print_what_if(found: WhatIf, console: Console) -> None:
    """What a change would have made, for people."""
    rows = [
        (name, f"{run.yield_l:,.0f}", f"{run.spilled_l:,.0f}", f"{run.unmet_l:,.0f}", f"{run.short_days}")
        for name, run in (("as it is", found.as_it_is), (", ".join(found.changes), found.changed))
    ]
    console.print(table(("the same months", "drawn, L", "ran over, L", "wanted in vain, L", "short days"), rows))
    console.print(
        f"Really drawn: {found.measured_yield_l:,.0f} L. Both runs are the model's, with roofs, leaks and use as found."
    )
    if found.unknown_h:
        console.print(f"In {found.unknown_h:,} hours no rain was measured: both runs take them as dry.")
    console.print("A larger tank needs its base, its overflow and its way in checked by somebody licensed for it.")


def _by_month(found: Account) -> Table:
    rows = [
        (
            period.name, _figure(period.design_rain_mm), _figure(period.rain_mm), _figure(period.designed_yield_l),
            _figure(period.actual_yield_l, period.yield_sd_l), _short_by(period.shortfall_l),
            _figure(period.actual.inflow_l), _figure(period.actual.spilled_l, period.spilled_sd_l),
            f"{period.drawn_h / period.hours:.0%}",
        )
        for period in (*found.months, found.whole)
    ]  # fmt: skip
    heads = (
        "month", "rain\ndesigned, mm", "rain\nmeasured, mm", "yield\ndesigned, L", "drawn, L", "short\nby, L",
        "came\nin, L", "ran\nover, L", "hours with the\ndraw known",
    )  # fmt: skip
    return table(heads, rows)


def _shares(whole: Period, speaker: Speaker) -> Table:
    from forecast.account.words import CAUSES, is_more

    rows = [
        (speaker.say(CAUSES[part.cause]), _figure(part.litres), _figure(2 * part.sd)) for part in whole.parts
    ]  # fmt: skip
    more = is_more(whole.shortfall_l)
    rows.append(("More than promised" if more else "Shortfall", _figure(abs(whole.shortfall_l)), ""))
    return table(("part of the shortfall", "L", "±"), rows)


def _flows(whole: Period, speaker: Speaker) -> Table:
    from forecast.account.words import FLOWS

    rows = [
        (speaker.say(text), _figure(getattr(whole.designed, name)), _figure(getattr(whole.actual, name)))
        for name, text in FLOWS.items()
    ]
    return table(("hours fully measured, L", "designed", "measured"), rows)


def _short_by(shortfall_l: float) -> str:
    from forecast.account.words import is_more

    return f"{_figure(-shortfall_l)} more" if is_more(shortfall_l) else _figure(shortfall_l)


def _figure(value: float, sd: float | None = None) -> str:
    """A figure, give or take twice its standard deviation; a dash where nothing tells it."""
    if isnan(value):
        return "–"
    shown = f"{round(value):,}"  # never "-0"
    return shown if sd is None else f"{shown} ± {2 * sd:,.0f}"
