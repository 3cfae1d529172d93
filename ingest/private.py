"""Folders and files that only their owner can read: what people draw, when they are away, who signs in and how."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Final

_FOLDER: Final = 0o700
_FILE: Final = 0o600


def private_folder(folder: Path) -> None:
    """Make a folder, and those above it that are lacking; what is there already stays as open as it was made."""
    if not folder.is_dir():
        private_folder(folder.parent)
        folder.mkdir(mode=_FOLDER, exist_ok=True)


def private_file(file: Path) -> None:
    """Make an empty file where there is none; what hinders it, whoever opens the file next will be told.

    SQLite gives the files beside its own the same rights.
    """
    with contextlib.suppress(OSError):
        os.close(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, _FILE))
