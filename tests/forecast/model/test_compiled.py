"""A compiled piece never outlives the text that it was made from."""

from __future__ import annotations

from pathlib import Path

from forecast.model.compiled import drop_stale


def test_compiled_pieces_go_when_any_text_beside_them_changes(tmp_path: Path) -> None:
    (tmp_path / "one.py").write_text("a = 1")
    (tmp_path / "two.py").write_text("b = 1")
    cache = tmp_path / "__pycache__"
    cache.mkdir()
    pieces = [cache / "one.run-1.py311.nbi", cache / "one.run-1.py311.1.nbc"]

    def compile_again() -> None:
        for piece in pieces:
            piece.write_bytes(b"machine code")

    compile_again()
    drop_stale(tmp_path)
    assert not any(piece.exists() for piece in pieces)
    compile_again()
    drop_stale(tmp_path)
    assert all(piece.exists() for piece in pieces)
    (tmp_path / "two.py").write_text("b = 2")
    drop_stale(tmp_path)
    assert not any(piece.exists() for piece in pieces)


def test_a_folder_that_cannot_be_written_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "__pycache__").write_text("a file where a folder should be")
    drop_stale(tmp_path)
