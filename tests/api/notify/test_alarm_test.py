"""`ullage alarm-test`: a line a channel, and an exit status that tells."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from api.cli import app
from tests.api.notify.conftest import SECRET
from tests.api.notify.hook import Hook, listening, says
from tests.api.notify.mailbox import Mailbox, mail_server


@pytest.fixture
def hook() -> Iterator[Hook]:
    with listening() as running:
        yield running


@pytest.fixture
def box() -> Iterator[Mailbox]:
    with mail_server() as running:
        yield running


@pytest.fixture
def file(notify_file: Path, hook: Hook, box: Mailbox) -> Path:
    notify_file.write_text(f"""
allow_networks = ["127.0.0.0/8"]

[smtp]
host = "127.0.0.1"
port = {box.port}
security = "none"
sender = "ullage@tank.example"

[[recipient]]
name = "warden"
channel = "email"
address = "warden@skerrow.example"
language = "es"

[[recipient]]
name = "logbook"
channel = "webhook"
url = "http://127.0.0.1:{hook.port}/token-sesame"
secret = "{SECRET}"
""")
    notify_file.chmod(0o600)
    return notify_file


def alarm_test(file: Path, *arguments: str) -> Result:
    return CliRunner().invoke(app, ["alarm-test", "--notify", str(file), *arguments])


def test_everybody_gets_a_test_message_in_their_language(file: Path, hook: Hook, box: Mailbox) -> None:
    done = alarm_test(file)
    assert done.exit_code == 0
    first, second = done.stdout.splitlines()
    assert first.startswith("warden (email): delivered in ")
    assert second.startswith("logbook (webhook): delivered in ")
    assert box.came[0]["Subject"] == "Mensaje de prueba de Ullage: no pasa nada"
    assert json.loads(hook.came[0].body)["type"] == "ullage.test"


def test_one_that_fails_is_named_with_the_reason_and_tells_by_the_exit(file: Path, hook: Hook, box: Mailbox) -> None:
    hook.answer = says(503)
    done = alarm_test(file, "--json")
    assert done.exit_code == 1
    mail, webhook = json.loads(done.stdout)
    assert (mail["name"], mail["channel"], mail["delivered"], mail["error"]) == ("warden", "email", True, "")
    assert (webhook["delivered"], webhook["error"]) == (False, "127.0.0.1 answered 503")
    assert "sesame" not in done.stdout


@pytest.mark.parametrize("name", ["warden", "email"])
def test_one_recipient_or_channel_alone(file: Path, hook: Hook, box: Mailbox, name: str) -> None:
    assert alarm_test(file, name).exit_code == 0
    assert (len(box.came), len(hook.came)) == (1, 0)


def test_a_name_that_nobody_has_is_told_with_those_there_are(file: Path) -> None:
    done = alarm_test(file, "wardn")
    assert "wardn: expected a recipient or a channel; there is warden, logbook" in str(done.exception)


def test_without_recipients_it_says_where_to_name_them(tmp_path: Path) -> None:
    file = tmp_path / "none.toml"
    assert "none.toml is not there: start from deploy/notify.toml" in str(alarm_test(file).exception)
    file.touch()
    assert "none.toml names none" in str(alarm_test(file).exception)
