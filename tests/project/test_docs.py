"""What the documents name exists, and what exists is named."""

from __future__ import annotations

import dataclasses
import inspect
import re
from pathlib import Path

import msgspec
import pytest
from pydantic import BaseModel

import forecast.result
import forecast.sizing.result
import ingest.pipework
import ingest.site
import ingest.tank
from api.cli import app
from api.notify.recipients import Recipient, Recipients, Smtp
from api.notify.recipientsfile import load_recipients
from api.settings import Settings
from forecast.model.balance import Drivers, State, Trace
from forecast.model.plan import Plan
from ingest.sitekeys import keys_table

ROOT = Path(__file__).parent.parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()

#: Endings of names, and the unit they stand for. The longest that fits counts.
ENDINGS = {
    "_mm": "mm", "_m2": "m²", "_m": "m", "_l": "L", "_l_h": "L/h", "_l_min": "L/min", "_l_day": "L/d",
    "_mm_h": "mm/h", "_m_s": "m/s", "_v": "V", "_w": "W", "_wh": "Wh", "_ah": "Ah", "_h": "h", "_s": "s", "_ms": "ms",
}  # fmt: skip


#: Where the parts of a site file stand.
SITE_MODULES = (ingest.site.__name__, ingest.tank.__name__, ingest.pipework.__name__)


def ending(name: str) -> str | None:
    fitting = [suffix for suffix in ENDINGS if name.endswith(suffix)]
    return max(fitting, key=len) if fitting else None


def fields() -> set[str]:
    """Names of all fields of the site file, the forecast and the model that carry a unit."""
    names: set[str] = set()
    for _, kind in inspect.getmembers(ingest.site, inspect.isclass):
        if issubclass(kind, BaseModel) and kind.__module__ in SITE_MODULES:
            names |= set(kind.model_fields)
    for _, kind in inspect.getmembers(forecast.sizing.result, inspect.isclass):
        if issubclass(kind, BaseModel) and kind.__module__ == forecast.sizing.result.__name__:
            names |= set(kind.model_fields)
    for _, kind in inspect.getmembers(forecast.result, inspect.isclass):
        if issubclass(kind, msgspec.Struct) and kind.__module__ == forecast.result.__name__:
            names |= set(kind.__struct_fields__)
    for arrays in (Plan, Drivers, State, Trace):
        names |= set(arrays._fields)
    return {name for name in names if ending(name)}


def glossary() -> dict[str, str]:
    """Name → unit, from the table."""
    table = DEVELOPERS.split("## Glossary")[1].split("## ")[0]
    found: dict[str, str] = {}
    for row in re.findall(r"^\| (`.*?) \| .*? \| (.*?) \|$", table, re.MULTILINE):
        names, units = re.findall(r"`(\w+)`", row[0]), row[1].split(", ")
        for index, name in enumerate(names):
            found[name] = units[index] if len(units) == len(names) else units[0]
    return found


def test_the_glossary_names_every_quantity_and_no_other() -> None:
    assert set(glossary()) == fields()


@pytest.mark.parametrize("name", sorted(glossary()))
def test_the_ending_of_a_name_is_its_unit(name: str) -> None:
    suffix = ending(name)
    assert suffix is not None
    assert glossary()[name] == ENDINGS[suffix]


def test_the_reference_of_site_keys_is_the_one_that_the_command_prints() -> None:
    text = (ROOT / "deploy" / "sites" / "README.md").read_text()
    assert text.split("<!-- printed by: ullage check --keys -->\n")[1].strip() == keys_table().strip()


def commands() -> set[str]:
    alone = {command.name or command.callback.__name__ for command in app.registered_commands if command.callback}
    return alone | {str(group.name) for group in app.registered_groups}


def test_the_readme_names_every_command_and_no_other() -> None:
    assert set(re.findall(r"^\| `ullage (\w[\w-]*)`", README, re.MULTILINE)) == commands()
    assert set(re.findall(r"`ullage (\w[\w-]*)", README + DEVELOPERS)) == commands()


def test_the_readme_opens_with_the_job_and_has_two_set_up_commands() -> None:
    first = README.splitlines()[2]
    assert first.startswith("Somebody designs, builds, commissions")
    assert re.findall(r"```sh\n(sh deploy/.*)\n```", README) == ["sh deploy/start.sh", "sh deploy/test.sh"]
    for script in ("start.sh", "test.sh", "env.sh"):
        assert (ROOT / "deploy" / script).exists()
    assert "sh deploy/test.sh" in (ROOT / ".ci" / "run").read_text()


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_link_and_path_leads_somewhere(document: str) -> None:
    text = (ROOT / document).read_text()
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), target
    for path in re.findall(r"`((?:ingest|forecast|api|simulator|tests|deploy)/[\w./-]*)`", text):
        assert (ROOT / path).exists(), path


def test_the_example_pack_in_the_readme_is_read(tmp_path: Path) -> None:
    from ingest.payload import Decoder
    from ingest.sitefile import load_sites

    block = re.search(r"```json\n(.*?)```", README, re.DOTALL)
    assert block is not None
    decoder = Decoder(load_sites(ROOT / "deploy" / "sites"), "ullage")
    decoded = decoder.decode("ullage/skerrow-head/post-1/senml", block.group(1).encode(), 1_795_600_000_000)
    assert [(reading.sensor, reading.value) for reading in decoded.readings] == [
        ("post-1/level", 1.31),
        ("post-1/battery", 12.67),
    ]
    assert decoded.rejects == []


def test_the_cautions_stand_in_the_readme() -> None:
    for word in (
        "not for drinking",
        "backflow",
        "licensed plumber",
        "confined space",
        "Legionella",
        "slope",
        "Local codes",
    ):
        assert word in README


def table_of(heading: str) -> str:
    """The text under a heading, to the next of the same rank."""
    rank = heading.split(" ", maxsplit=1)[0]
    return re.split(rf"^{rank} ", DEVELOPERS.split(f"\n{heading}\n")[1], flags=re.MULTILINE)[0]


def test_every_setting_of_the_api_is_documented_and_no_other() -> None:
    documented = set(re.findall(r"`ULLAGE_(\w+)`", "".join(re.findall(r"^\| `.*?\|", table_of("## Settings"), re.M))))
    assert documented == {setting.name.upper() for setting in dataclasses.fields(Settings)}


def test_every_key_of_the_recipients_file_is_documented_and_no_other() -> None:
    documented = set()
    for row in re.findall(r"^\| (`.*?) \|", table_of("### notify.toml"), re.MULTILINE):
        first, *rest = re.findall(r"`(\w+)`", row)
        table = f"{first}." if first in ("smtp", "recipient") else ""
        documented |= {f"{table}{key}" for key in (rest if table else [first])}
    tables: dict[str, type[BaseModel]] = {"": Recipients, "smtp.": Smtp, "recipient.": Recipient}
    keys = {f"{table}{key}" for table, kind in tables.items() for key in kind.model_fields}
    assert documented == keys - {"smtp", "recipient"}


def test_the_example_of_recipients_in_the_document_is_read(tmp_path: Path) -> None:
    block = re.search(r"```toml\n(page = .*?)```", DEVELOPERS, re.DOTALL)
    assert block is not None
    (tmp_path / "notify.toml").write_text(block.group(1))
    recipients = load_recipients(tmp_path / "notify.toml", None, {"ULLAGE_SMTP_PASSWORD": "x"})
    assert recipients.names == ("log", "warden")
