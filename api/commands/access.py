"""Commands about who may come in, for whoever can log in to the machine itself."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from api.options import DataOption, JsonOption, RecordsOption
from ingest.errors import SettingsError

if TYPE_CHECKING:
    from api.access.access import Access

token = typer.Typer(no_args_is_help=True, help="Tokens, by which programs come in.")
people = typer.Typer(no_args_is_help=True, help="People, who come in with a password.")

_NameArgument = Annotated[str, typer.Argument(help="By what name somebody signs in.")]
_ScopeOption = Annotated[
    Literal["read", "acknowledge", "configure"],
    typer.Option("--scope", help="What it may do; each includes the one before."),
]


@token.command()
def create(
    name: Annotated[str, typer.Argument(help="What it is for.")],
    scope: _ScopeOption = "read",
    days: Annotated[int | None, typer.Option("--days", min=1, help="Expires after so many days.")] = None,
    data: DataOption = Path("ullage-data"),
    records: RecordsOption = "",
    as_json: JsonOption = False,
) -> None:
    """Make a token and print its secret, which is shown this once."""
    with _access(data, records) as access:
        secret, made = access.issue(name, scope, "command line", days)
    if as_json:
        typer.echo(json.dumps({"id": made.id, "name": made.name, "scope": made.scope, "token": secret}))
    else:
        typer.echo(f"token {made.id}, {made.name}, scope {made.scope}:\n{secret}")


@token.command("list")
def list_tokens(
    data: DataOption = Path("ullage-data"), records: RecordsOption = "", as_json: JsonOption = False
) -> None:
    """All tokens, without their secrets."""
    from api.routes.tokens import token_out

    with _access(data, records) as access:
        rows = [token_out(kept).model_dump() for kept in access.tokens()]
    _table(rows, as_json)


@token.command()
def revoke(
    number: Annotated[int, typer.Argument(help="Number of the token.")],
    data: DataOption = Path("ullage-data"),
    records: RecordsOption = "",
) -> None:
    """End a token, for good; a running service refuses it within a second."""
    with _access(data, records) as access:
        access.revoke(number)
    typer.echo(f"token {number} is revoked")


@token.command()
def device(
    name: Annotated[str, typer.Argument(help="SITE/DEVICE, as in the site file; `shared`: the name that all may use.")],
    data: DataOption = Path("ullage-data"),
    off: Annotated[bool, typer.Option("--off", help="Take the password away; a running broker hears of it.")] = False,
) -> None:
    """A password of its own for a device at the bundled broker, good for its own topics alone."""
    from ingest.devices import SHARED, give_password, share, take_password, topics_named
    from ingest.role import BROKER_FOLDER

    if not data.is_dir():
        raise SettingsError(f"{data}: there is nothing here yet: start the service first, or see --data")
    folder = data / BROKER_FOLDER
    if name == SHARED:
        share(folder, shared=not off)
        typer.echo(f"the shared name `device` is {'no longer good' if off else 'good'}")
    elif "/" not in name:
        raise SettingsError(f"{name}: expected SITE/DEVICE, such as skerrow-head/post-1, or {SHARED}")
    elif off:
        typer.echo(f"{name}: {'taken away' if take_password(folder, name) else 'had no password of its own'}")
    else:
        topics = topics_named(folder, name)
        typer.echo(f"user {name}\npassword {give_password(folder, name)}\nmay publish to {', '.join(topics)}")


@people.command("list")
def list_people(
    data: DataOption = Path("ullage-data"), records: RecordsOption = "", as_json: JsonOption = False
) -> None:
    """Everybody who has a password here."""
    from api.routes.people import person_out

    with _access(data, records) as access:
        rows = [person_out(kept).model_dump() for kept in access.people()]
    _table(rows, as_json)


@people.command()
def add(
    name: _NameArgument,
    scope: _ScopeOption = "read",
    data: DataOption = Path("ullage-data"),
    records: RecordsOption = "",
) -> None:
    """Let somebody in; asks for the password, or reads it from standard input."""
    with _access(data, records) as access:
        access.add_person(name, _password(), scope)
    typer.echo(f"{name} may come in, scope {scope}")


@people.command()
def password(name: _NameArgument, data: DataOption = Path("ullage-data"), records: RecordsOption = "") -> None:
    """A new password for somebody who lost theirs; ends their sessions."""
    with _access(data, records) as access:
        access.reset_password(name, _password())
    typer.echo(f"{name} has a new password, and no session any more")


@people.command()
def remove(name: _NameArgument, data: DataOption = Path("ullage-data"), records: RecordsOption = "") -> None:
    """Let somebody in no longer, and end their sessions."""
    with _access(data, records) as access:
        access.remove_person(name)
    typer.echo(f"{name} may come in no longer")


@contextmanager
def _access(data: Path, records: str) -> Iterator[Access]:
    """The access rules over the records of an installation; what they refuse is told in a line."""
    from api.access.access import Access
    from api.commands.run import now_ms, records_url
    from api.problems import ProblemError
    from ingest.store.access import AccessStore
    from ingest.store.records import Records

    if not records and not (data / "records.db").exists():
        raise SettingsError(f"{data / 'records.db'}: there is nothing here yet: start the service first, or see --data")
    store = Records(records_url(records, data))
    try:
        yield Access(AccessStore(store), now_ms)
    except ProblemError as error:
        raise SettingsError(str(error)) from None
    finally:
        store.close()


def _password() -> str:
    if sys.stdin.isatty():
        return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True))
    return sys.stdin.readline().rstrip("\r\n")


def _table(rows: list[dict[str, object]], as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps(rows, ensure_ascii=False))
        return
    for row in rows:
        typer.echo("  ".join(f"{name} {value}" for name, value in row.items() if value is not None))
