"""Commands about what is kept: backup, restore, and copying readings from one store to another."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Annotated

import typer

from api.options import DataOption, JsonOption

#: The files of a data folder that a backup holds.
FILES = ("readings.db", "records.db")


def backup(
    target: Annotated[Path, typer.Argument(help="Folder for the copies.")], data: DataOption = Path("ullage-data")
) -> None:
    """Copy readings and records while they are in use, whole and checked."""
    from ingest.errors import SettingsError
    from ingest.store.backup import backup as copy_file

    present = [name for name in FILES if (data / name).exists()]
    if not present:
        raise SettingsError(f"{data}: there is nothing here to copy: expected {' or '.join(FILES)}, or see --data")
    for name in FILES:
        if name in present:
            size = copy_file(data / name, target / name)
            typer.echo(f"{target / name}: {size:,} bytes, checked")
        else:
            typer.echo(f"{data / name} is not here: back up the database that holds it with that database's own tools")


def restore(
    source: Annotated[Path, typer.Argument(help="Folder that a backup made.")], data: DataOption = Path("ullage-data")
) -> None:
    """Put a backup back, while nothing runs. What stood there is kept beside it."""
    from ingest.errors import SettingsError
    from ingest.store.backup import restore as put_back

    present = [name for name in FILES if (source / name).exists()]
    if not present:
        raise SettingsError(f"{source}: expected a folder that ullage backup made, with {' or '.join(FILES)}")
    for name in present:
        aside = put_back(source / name, data / name)
        typer.echo(f"{data / name}: restored" + (f"; what stood there is now {aside}" if aside else ""))


def copy(
    source: Annotated[str, typer.Argument(help="A SQLite file, or an http(s) URL of an InfluxDB.")],
    target: Annotated[str, typer.Argument(help="The same; it takes the readings.")],
    data: DataOption = Path("ullage-data"),
    as_json: JsonOption = False,
) -> None:
    """Copy readings between stores, to be taken up again; both sides are counted and summed: exit 1 if they differ."""
    from ingest.copy import copy_readings
    from ingest.private import private_folder
    from ingest.store.locate import open_readings

    private_folder(data)
    until_ms = time.time_ns() // 1_000_000
    giving, taking = open_readings(source, data=data), open_readings(target, writer=True, data=data)
    try:
        done = copy_readings(giving, taking, until_ms, data / "copy-progress.json")
    finally:
        giving.close()
        taking.close()
    if as_json:
        sides = {"source": str(done.source), "target": str(done.target)}
        typer.echo(json.dumps({"moved": done.moved, "rejected": done.rejected, "complete": done.complete, **sides}))
    else:
        typer.echo(f"moved {done.moved} readings, {done.rollups} roll-ups; {done.rejected} rejected")
        typer.echo(f"source: {done.source}\ntarget: {done.target}")
        for site, sensor in done.differing:
            typer.echo(f"differs: {site} {sensor}", err=True)
    raise typer.Exit(0 if done.complete else 1)
