"""The commands for whoever can log in to the machine: what they print, and that no password is repeated."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.access.access import Access
from api.cli import app
from ingest.devices import Devices, read_devices, write_named
from ingest.errors import BrokerError, SettingsError
from ingest.store.access import AccessStore
from ingest.store.records import Records
from tests.api.access.conftest import NAME, PASSWORD
from tests.api.fakes import Clock


def run(data: Path, *words: str, typed: str = "") -> str:
    done = CliRunner().invoke(app, [*words, "--data", str(data)], input=typed)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert PASSWORD not in done.output
    return done.output


@pytest.fixture
def data(tmp_path: Path) -> Path:
    Records(f"sqlite:///{tmp_path / 'records.db'}").close()
    return tmp_path


def rules(data: Path) -> Access:
    return Access(AccessStore(Records(f"sqlite:///{data / 'records.db'}")), Clock())


def test_a_token_is_made_listed_and_revoked(data: Path) -> None:
    made = json.loads(run(data, "token", "create", "prober", "--scope", "read", "--json"))
    assert rules(data).bearer(made["token"]) is not None
    assert "prober" in run(data, "token", "list")
    assert made["token"] not in run(data, "token", "list", "--json")
    assert "revoked" in run(data, "token", "revoke", str(made["id"]))
    assert rules(data).bearer(made["token"]) is None


def test_somebody_is_added_gets_a_new_password_and_goes(data: Path) -> None:
    run(data, "people", "add", NAME, "--scope", "configure", typed=f"{PASSWORD}\n")
    assert rules(data).sign_in(NAME, PASSWORD, "127.0.0.1")
    run(data, "people", "password", NAME, typed="another kettle, another wind\n")
    assert rules(data).sign_in(NAME, "another kettle, another wind", "127.0.0.1")
    assert "configure" in run(data, "people", "list")
    run(data, "people", "add", "relief", "--scope", "configure", typed=f"{PASSWORD}\n")
    run(data, "people", "remove", NAME)
    assert [person.name for person in rules(data).people()] == ["relief"]


def test_what_cannot_be_done_is_a_line(data: Path) -> None:
    with pytest.raises(SettingsError, match="at least 12"):
        run(data, "people", "add", NAME, typed="short\n")
    with pytest.raises(SettingsError, match="Nobody has this name"):
        run(data, "people", "password", NAME, typed=f"{PASSWORD}\n")
    with pytest.raises(SettingsError, match="start the service first"):
        run(data / "nowhere", "token", "list")


def test_a_device_gets_a_password_and_loses_it(data: Path) -> None:
    (data / "broker").mkdir()
    write_named(data / "broker", {"skerrow-head/post-1": ["ullage/skerrow-head/post-1/#"]})
    said = run(data, "token", "device", "skerrow-head/post-1")
    assert "may publish to ullage/skerrow-head/post-1/#" in said
    kept = read_devices(data / "broker")
    assert f"password {kept.passwords['skerrow-head/post-1']}" in said
    assert "taken away" in run(data, "token", "device", "skerrow-head/post-1", "--off")
    run(data, "token", "device", "shared", "--off")
    assert read_devices(data / "broker") == Devices(shared=False, passwords={})
    with pytest.raises(SettingsError, match="SITE/DEVICE"):
        run(data, "token", "device", "post-1")


def test_a_device_that_no_site_file_names_gets_no_password(data: Path) -> None:
    with pytest.raises(BrokerError, match="start the service with its site files first"):
        run(data, "token", "device", "skerrow-head/post-1")
    (data / "broker").mkdir()
    write_named(data / "broker", {"skerrow-head/post-1": ["ullage/skerrow-head/post-1/#"]})
    with pytest.raises(
        BrokerError, match="no site file names the device skerrow-head/post-9: there are skerrow-head/p"
    ):
        run(data, "token", "device", "skerrow-head/post-9")
    assert read_devices(data / "broker").passwords == {}
