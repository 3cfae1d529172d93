"""The command `ullage design`: what a supply will deliver, before a pipe is cut."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.commands.tables import table, terminal
from api.options import JsonOption, SiteArgument

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from api.speech import Speaker
    from forecast.sizing.result import Curve, DesignCheck


def design(
    site: SiteArgument,
    rain: Annotated[
        Path | None,
        typer.Option("--rain", help="Rain record: CSV with time,rain_mm. Default: the site file's monthly means."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Check a design: what roof and tank will deliver, how often they run dry, what is too small."""
    from api.design_schema import design_out
    from api.speech import Speaker
    from forecast.outlook.record import read_record
    from forecast.sizing.check import design_check
    from ingest.sitefile import load_site

    described = load_site(site)
    check = design_check(described, None if rain is None else read_record(rain, described.zone))
    speaker = Speaker(described.zone)
    if as_json:
        typer.echo(design_out(check, speaker).model_dump_json(indent=2))
        return
    print_check(check, speaker, terminal())


def print_check(check: DesignCheck, speaker: Speaker, console: Console) -> None:
    """Sentences first, then the tables."""
    from forecast.sizing.finding import KINDS

    titles = {
        "promise": "What it gives", "warning": "Warnings", "result": "In detail", "unchecked": "Not checked",
        "basis": "What this rests on", "caution": "Before anybody relies on it",
    }  # fmt: skip
    for kind in KINDS:
        found = [one for one in check.findings if one.kind == kind]
        if found:
            console.print(f"\n[bold]{titles[kind]}[/bold]")
            for one in found:
                console.print(f"- {speaker.say(one.says)}", markup=False)
    console.print(f"\n[bold]Month by month[/bold], litres in a mean month of {check.figures.source}")
    console.print(_months(check))
    console.print("[bold]Year by year[/bold]")
    console.print(_years(check))
    for curve in check.figures.curves:
        console.print(f"[bold]{_LEVERS[curve.lever]}[/bold], all else as it is")
        console.print(_curve(curve))
    console.print("[bold]Simple methods beside the run[/bold]")
    for line in _simple(check, speaker):
        console.print(line, markup=False)


_LEVERS = {
    "tank": "Usable tank, L", "roof": "Roof, m²", "first_flush": "First flush, L",
    "coefficient": "Runoff coefficient", "draw": "Mean use, L a day",
}  # fmt: skip
_COLUMNS = {
    "rain_mm": "rain\nmm",
    "roof_rain_l": "on roofs",
    "wetting_loss_l": "wetting",
    "coefficient_loss_l": "coeffi-\ncient",
    "gutter_loss_l": "gutter",
    "first_flush_l": "first\nflush",
    "captured_l": "captured",
    "wanted_l": "wanted",
    "drawn_l": "drawn",
    "backup_l": "backup",
    "spilled_l": "spilled",
    "short_days": "short\ndays",
}


def _months(check: DesignCheck) -> Table:
    rows = []
    for month in (*check.figures.months, check.figures.total):
        values = month.model_dump()
        name = f"{month.month}" if month.month else "year"
        rows.append([name, *(f"{values[key]:,.0f}" for key in _COLUMNS)])
    return table(["month", *_COLUMNS.values()], rows)


def _years(check: DesignCheck) -> Table:
    rows = [
        [
            year.label, f"{year.rain_mm:,.0f}", f"{year.reliable_volume:.0%}", f"{year.reliable_days:.0%}",
            f"{year.short_days}", f"{year.empty_days}", f"{year.spilled_l:,.0f}",
        ]
        for year in check.figures.by_year
    ]  # fmt: skip
    heads = ["year", "rain mm", "of volume", "of days", "short days", "days empty", "spilled L"]
    return table(heads, rows)


def _curve(curve: Curve) -> Table:
    rows = []
    for point in curve.points:
        notes = ["this one"] if point == curve.now else []
        notes += ["knee"] if point.size == curve.knee else []
        rows.append(
            [
                f"{point.size:,.5g}", f"{point.reliable_volume:.1%}", f"{point.reliable_days:.1%}",
                f"{point.drawn_l:,.0f}", f"{point.spilled_l:,.0f}", ", ".join(notes),
            ]
        )  # fmt: skip
    return table(["size", "of volume", "of days", "drawn L a year", "spilled L a year", ""], rows)


def _simple(check: DesignCheck, speaker: Speaker) -> list[str]:
    from forecast.sizing.methods import METHODS

    units, lines = {"L/a": " L a year", "L": " L"}, []
    for one in check.figures.simple:
        called, source = METHODS[one.method]
        shown = "no tank holds it"
        if one.amount is not None:
            shown = f"{one.amount:.1%}" if one.unit == "1" else f"{one.amount:,.0f}{units[one.unit]}"
        lines.append(f"- {speaker.say(called)}: {shown} ({speaker.say(source)})")
    return lines
