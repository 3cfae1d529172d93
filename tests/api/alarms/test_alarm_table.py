"""The table of alarms in DEVELOPERS.md is the one that the types print."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.alarms.table import main, rows, table
from api.alarms.types import ALARM_TYPES

DEVELOPERS = Path(__file__).parent.parent.parent.parent / "DEVELOPERS.md"


def test_the_document_holds_the_table_as_it_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    main()
    printed = capsys.readouterr().out.strip()
    assert printed in DEVELOPERS.read_text(), "run `.venv/bin/python -m api.alarms.table` and put what it prints there"


def test_every_type_has_its_row_with_delays_in_words() -> None:
    found = {row[0].split("`")[1]: row for row in rows()[2:]}
    assert found.keys() == ALARM_TYPES.keys()
    assert found["battery-low"][1:4] == ("medium, 24 h", "30 min, 1 d, 3 d", "0.05 V")
    assert found["nothing-heard"][2].startswith("0, 2 h")
    assert table().count("\n") == len(ALARM_TYPES) + 1
