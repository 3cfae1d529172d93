from __future__ import annotations

import base64
from pathlib import Path

import pytest

from api.settings import Settings, load_settings
from ingest.errors import SettingsError

SECRET = "whsec_" + base64.b64encode(bytes(range(24))).decode()


def test_defaults_need_nothing() -> None:
    settings = load_settings({})
    assert settings == Settings()
    assert settings.records == "sqlite:///ullage-data/records.db"
    assert settings.readings_store == "ullage-data/readings.db"


def test_argument_wins_over_environment_and_environment_over_default() -> None:
    environment = {"ULLAGE_PORT": "9000", "ULLAGE_DATA": "/srv/water"}
    settings = load_settings(environment, port=9001, host=None)
    assert (settings.port, settings.data, settings.host) == (9001, Path("/srv/water"), "127.0.0.1")


def test_every_problem_is_named_with_value_and_expectation() -> None:
    environment = {
        "ULLAGE_PORT": "eighty",
        "ULLAGE_STALE_MIN_S": "nan",
        "ULLAGE_ALARMS": "perhaps",
        "ULLAGE_RECORDS_URL": "mysql://somewhere",
    }
    with pytest.raises(SettingsError) as caught:
        load_settings(environment, wobhook_url="x")
    lines = str(caught.value).splitlines()
    assert len(lines) == 5
    assert "wobhook_url = 'x': expected no such setting" in lines[0]
    assert any("ULLAGE_PORT = 'eighty': expected a port number" in line for line in lines)
    assert any("ULLAGE_STALE_MIN_S = 'nan': expected seconds, a number above 0" in line for line in lines)
    assert any("ULLAGE_ALARMS = 'perhaps': expected on or off" in line for line in lines)
    assert any("ULLAGE_RECORDS_URL = 'mysql://somewhere'" in line for line in lines)


@pytest.mark.parametrize("secret", ["sesame-open", "whsec_!!!", "whsec_" + base64.b64encode(b"short").decode()])
def test_bad_secret_is_refused_and_never_shown(secret: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings({"ULLAGE_WEBHOOK_SECRET": secret, "ULLAGE_WEBHOOK_URL": "https://alarm.example/hook"})
    assert secret not in str(caught.value)
    assert "ULLAGE_WEBHOOK_SECRET" in str(caught.value)


def test_secret_is_not_in_the_representation() -> None:
    settings = load_settings({}, webhook_secret=SECRET, webhook_url="https://alarm.example/hook")
    assert SECRET not in repr(settings)


@pytest.mark.parametrize(
    ("given", "named"),
    [({"webhook_url": "https://alarm.example/hook"}, "webhook_secret"), ({"webhook_secret": SECRET}, "webhook_url")],
)
def test_webhook_url_and_secret_only_together(given: dict[str, str], named: str) -> None:
    with pytest.raises(SettingsError, match=named):
        load_settings({}, **given)


@pytest.mark.parametrize("url", ["http://alarm.example/hook", "ftp://alarm.example", "alarm.example", "https://"])
def test_webhook_travels_encrypted_or_not_at_all(url: str) -> None:
    with pytest.raises(SettingsError, match="an https URL"):
        load_settings({}, webhook_url=url, webhook_secret=SECRET)


def test_plain_http_is_allowed_to_this_machine() -> None:
    assert load_settings({}, webhook_url="http://127.0.0.1:9/x", webhook_secret=SECRET).webhook_url


def test_stale_limit_is_some_intervals_but_not_before_the_minimum() -> None:
    settings = Settings(stale_intervals=3, stale_min_s=1800)
    assert settings.stale_after_ms(every_s=300) == 1_800_000
    assert settings.stale_after_ms(every_s=900) == 2_700_000


def test_true_is_no_port() -> None:
    with pytest.raises(SettingsError, match="port = True"):
        load_settings({}, port=True)
