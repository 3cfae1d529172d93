"""The command `ullage backtest`: what the forecast of a site would have been worth on a rain record."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.commands.tables import table, terminal
from api.options import JsonOption, SiteArgument

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from forecast.score import Tenth
    from forecast.skill import Skill


def backtest(
    site: SiteArgument,
    rain: Annotated[Path, typer.Option("--rain", help="Rain record of two years or more: CSV with time,rain_mm.")],
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for backtest.json and backtest.csv, a row an issue and lead.")
    ] = None,
    every_d: Annotated[int, typer.Option("--every-d", min=1, help="Days between two issues.")] = 5,
    as_json: JsonOption = False,
) -> None:
    """What the forecast would have been worth: issued all over a rain record, its own year left out."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    from forecast.backtest import backtest as run_backtest
    from forecast.outlook.record import read_record
    from forecast.rivals import BOOSTED, boosted
    from forecast.skill import skill, write
    from ingest.sitefile import load_site

    described = load_site(site)
    record = read_record(rain, described.zone)
    columns = TextColumn("{task.description:18}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        balance, rival = bars.add_task("balance", total=None), bars.add_task(BOOSTED, total=None)
        cases = run_backtest(
            described, record, every_d=every_d,
            progress=lambda done, total: bars.update(balance, completed=done, total=total),
        )  # fmt: skip
        learnt = boosted(cases, lambda done, total: bars.update(rival, completed=done, total=total))
    if learnt is not None:
        cases = cases.adding(BOOSTED, learnt)
    tables = skill([cases])
    if out is not None:
        write([cases], tables, out)
    if as_json:
        typer.echo(json.dumps(tables.document(), indent=2))
        return
    print_skill(tables, terminal())


def print_skill(tables: Skill, console: Console) -> None:
    """The tables for people."""
    console.print(f"{', '.join(tables.records)}: {tables.issues} forecasts, each without its own year\n")
    console.print("Mean CRPS of ours (levels in % of capacity, times in days), and ours over that of others:")
    console.print(_scores(tables))
    console.print("How often our bands held the level, by rank and with their ends:")
    console.print(_coverage(tables))
    console.print("Chances of running out by day 1 to 16, and how often it came true:")
    console.print(_reliability(tables.reliability))
    console.print("Chances of being empty at the issue itself, and how often it was so:")
    console.print(_reliability(tables.already))


def _scores(tables: Skill) -> Table:
    whats = list(dict.fromkeys(score.what for score in tables.scores))
    ways = list(dict.fromkeys(score.way for score in tables.scores))
    found = {(score.what, score.way): score for score in tables.scores}
    rows = []
    for what in whats:
        over = [f"{found[what, way].ratio:.2f}" if (what, way) in found else "" for way in ways[1:]]
        rows.append([what, f"{found[what, ways[0]].crps:.2f}", *over])
    return table(["", ways[0], *ways[1:]], rows)


def _coverage(tables: Skill) -> Table:
    rows = [
        [f"day {held.lead_d}", *(f"{value:.3f}" for value in held[1:5]), f"{held.score_90:.1f}"] for held in tables.held
    ]
    head = ["", "50 %", "90 %", "50 %, ends in", "90 %, ends in", "score of 90 %"]
    return table(head, rows)


def _reliability(tenths: list[Tenth]) -> Table:
    rows = [
        [f"{tenth.low:.1f}-{tenth.high:.1f}", f"{tenth.cases}", f"{tenth.said:.3f}", f"{tenth.came:.3f}"]
        for tenth in tenths
    ]
    return table(["tenth", "cases", "said", "came"], rows)
