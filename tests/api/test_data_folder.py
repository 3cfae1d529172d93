"""What is kept is nobody else's business."""

from __future__ import annotations

from pathlib import Path

from api.whole import prepare


def test_a_new_data_folder_is_closed_to_others(tmp_path: Path) -> None:
    prepare(tmp_path / "data")
    assert (tmp_path / "data").stat().st_mode & 0o077 == 0
    assert (tmp_path / "data" / "records.db").exists()
