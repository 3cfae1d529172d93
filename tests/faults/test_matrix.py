"""Every row of the table of faults, in its short form."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.matrix import FAULTS, play


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_nothing_acknowledged_is_lost_nor_stored_twice(name: str, tmp_path: Path) -> None:
    row = play(name, tmp_path, FAULTS[name].short)
    assert row.acknowledged > 100
    assert row.expected, row
