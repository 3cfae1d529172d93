"""The command `ullage commission`: is every sensor heard, believed, and right."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import typer

from api.options import DataOption, JsonOption, PrefixOption, ReadingsOption, RecordsOption, SiteArgument

_WORDS: Final = {"silent": "silent", "look": "look at it", "compare": "to be compared", "ready": "ready"}


def commission(
    site: SiteArgument,
    data: DataOption = Path("ullage-data"),
    readings: ReadingsOption = "",
    records: RecordsOption = "",
    prefix: PrefixOption = "ullage",
    as_json: JsonOption = False,
) -> None:
    """Before a site is handed over: is every sensor heard, believed and compared? Exit 1 if one is not."""
    from api.commands.run import now_ms, records_url
    from api.commission_schema import commissioning_out
    from api.commissioning.reading import look
    from api.speech import Speaker
    from ingest.sitefile import load_site
    from ingest.store.locate import open_readings
    from ingest.store.records import Records

    described = load_site(site)
    store = open_readings(readings or str(data / "readings.db"), data=data)
    kept = Records(records_url(records, data))
    try:
        found = look(described, store, kept, now_ms(), prefix)
    finally:
        kept.close()
        store.close()
    out = commissioning_out(found, Speaker(described.zone))
    if as_json:
        typer.echo(out.model_dump_json(indent=2))
    else:
        for one in out.sensors:
            typer.echo(f"{one.sensor} ({one.measures}): {_WORDS[one.verdict]}")
            for sentence in one.says:
                typer.echo(f"  {sentence}")
        for refused in out.refused:
            typer.echo(f"refused {refused.time} {refused.topic}: {refused.reason}")
    if not out.ready:
        raise typer.Exit(1)
