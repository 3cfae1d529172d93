"""Commands about one site: what its file says, what would have happened."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.options import JsonOption, SiteArgument
from ingest.errors import Problem, RecipientsFileError, SettingsError, SiteFileError

if TYPE_CHECKING:
    from ingest.site import Site

#: What a replay prints, and what it means.
_REPLAYED = {
    "rain_mm": "fell",
    "inflow_l": "reached the tanks",
    "first_flush_l": "went into the first flush",
    "gutter_loss_l": "went over the gutters; roofs kept or lost the rest",
    "backup_l": "came from the backup",
    "wanted_l": "was wanted",
    "drawn_l": "was drawn",
    "short_days": "days on which less was drawn than wanted",
    "spilled_l": "ran over",
    "evaporated_l": "evaporated",
    "start_volume_l": "stood in the tanks at the start",
    "volume_l": "at the end",
}
#: Exit status where the user can mend it by changing what was given.
BAD_INPUT = 2


def check(
    sites: Annotated[Path | None, typer.Argument(help="A site file, or a folder of them (*.toml).")] = None,
    keys: Annotated[bool, typer.Option("--keys", help="List every key that a site file may have.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Check site files, and notify.toml beside them: every problem, one a line; exit 2 if there is any.

    A warning tells what a file may lack, and what that costs; it is no problem.
    """
    from api.notify.recipientsfile import load_recipients
    from api.settings import load_settings
    from forecast.doubts import doubts
    from ingest.sitefile import load_sites

    if keys:
        _print_keys(as_json)
        return
    if sites is None:
        raise SettingsError("SITES = nothing: expected a site file or a folder of them, or --keys")

    problems: list[Problem] = []
    found: dict[str, Site] = {}
    try:
        found = load_sites(sites)
    except SiteFileError as error:
        problems += [_in_file(error.file, problem) for problem in error.problems]
    try:
        load_recipients(load_settings(sites=sites).recipients_file, found or None)
    except RecipientsFileError as error:
        problems += [_in_file(error.file, problem) for problem in error.problems]
    warnings = {site.id: doubts(site) for site in found.values()}
    if as_json:
        listed = [{"key": p.key, "value": p.value, "expected": p.expected} for p in problems]
        warned = [{"site": site, "says": sentence} for site, sentences in warnings.items() for sentence in sentences]
        typer.echo(json.dumps({"sites": list(found), "problems": listed, "warnings": warned}, indent=2))
    for problem in [] if as_json else problems:
        typer.echo(str(problem), err=True)
    for site in [] if as_json else found.values():
        typer.echo(_summary(site))
        for sentence in warnings[site.id]:
            typer.echo(f"{site.id}: warning: {sentence}", err=True)
    if problems:
        raise typer.Exit(BAD_INPUT)


def _in_file(file: str, problem: Problem) -> Problem:
    return Problem(f"{file}: {problem.key}", problem.value, problem.expected)


def replay(
    site: SiteArgument,
    rain: Annotated[Path, typer.Option("--rain", help="Rain record: CSV with time,rain_mm.")],
    start_level_m: Annotated[float, typer.Option("--start-level-m", help="Level of every tank at the start. [m]")],
    out: Annotated[Path | None, typer.Option("--out", help="CSV file for the hourly columns.")] = None,
    spill_first: Annotated[
        bool, typer.Option("--spill-first", help="Yield after spillage: the pessimistic bound.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """What would have happened: the water balance of a site over a rain record."""
    from forecast.outlook.record import read_record
    from forecast.replay import replay as run_replay
    from ingest.sitefile import load_site

    described = load_site(site)
    table = run_replay(described, read_record(rain, described.zone), start_level_m, spill_first=spill_first)
    if out is not None:
        table.to_csv(out, index=False, float_format="%.3f")
    totals = {name: round(float(table[name].sum()), 1) for name in table.columns if name not in ("time", "volume_l")}
    totals |= {str(name): value for name, value in table.attrs.items()}
    totals["volume_l"] = round(float(table["volume_l"].iloc[-1]), 1)
    if as_json:
        typer.echo(json.dumps({"hours": len(table), "totals": totals}, indent=2))
        return
    typer.echo(f"{len(table)} hours, from {table['time'].iloc[0]}")
    for name, meaning in _REPLAYED.items():
        if name in totals:
            typer.echo(f"{name:16}{totals[name]:14,.1f}  {meaning}")


def _print_keys(as_json: bool) -> None:
    from dataclasses import asdict

    from ingest.reading import QUANTITIES
    from ingest.sitekeys import keys_table, site_keys
    from ingest.units import SENT_UNITS

    if not as_json:
        typer.echo(keys_table().rstrip())
        return
    measured = [asdict(quantity) | {"sent": list(SENT_UNITS[quantity.unit])} for quantity in QUANTITIES]
    typer.echo(json.dumps({"keys": [asdict(key) for key in site_keys()], "measures": measured}, indent=2))


def _summary(site: Site) -> str:
    parts = [
        _counted(len(site.roof), "roof"),
        _counted(len(site.tank), "tank"),
        _counted(len(site.draw), "draw"),
        _counted(len(site.sensor), "sensor"),
        "a battery" if site.battery else "no battery",
        f"{site.backup.id} as backup" if site.backup else "no backup",
    ]
    return f"{site.id}: {site.name}: {', '.join(parts)}"


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
