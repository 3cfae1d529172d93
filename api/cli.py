"""The command line: `ullage`."""

from __future__ import annotations

import sys

import typer

from api.commands import access, account, alarm_test, backtest, commission, design, export, keep, run, site
from ingest.errors import RecipientsFileError, RecordFileError, SettingsError, SiteFileError, UllageError

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Telemetry and tank-level forecasts for small off-grid rainwater supplies.",
)

for command in (
    run.demo, run.up, run.ingest, run.forecast, run.api, run.simulate,
    site.check, site.replay, backtest.backtest, design.design, account.account, export.export,
    commission.commission,
    keep.backup, keep.restore, keep.copy,
):  # fmt: skip
    app.command()(command)
app.command("alarm-test")(alarm_test.alarm_test)
app.add_typer(access.token, name="token")
app.add_typer(access.people, name="people")


def main() -> None:
    """Entry point: errors of ours are told in a line, not as a traceback."""
    try:
        app()
    except (SiteFileError, RecipientsFileError, SettingsError, RecordFileError) as error:
        typer.echo(f"ullage: {error}", err=True)
        sys.exit(site.BAD_INPUT)
    except UllageError as error:
        typer.echo(f"ullage: {error}", err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
