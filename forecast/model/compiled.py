"""Compilation by numba, with a cache that can be trusted.

numba renews a compiled function when the file of that function changes, but not when a file that
it calls into does: an upgrade could go on with last year's first flush. So all compiled pieces are
dropped when any text beside them has changed. With NUMBA_DISABLE_JIT=1 everything runs as the
plain Python that it is, which is the oracle of the tests.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., object])

_STAMP = "compiled-from"


def compiled(function: Function) -> Function:
    """The function, compiled at its first call and kept for the next start."""
    return cast(Function, njit(cache=True)(function))


def drop_stale(folder: Path) -> None:
    """Drop what was compiled from a folder's Python files if any of them has changed since.

    A cache that cannot be read or written is left alone: numba then keeps none there either.
    """
    digest = hashlib.sha256()
    for file in sorted(folder.glob("*.py")):
        digest.update(file.read_bytes())
    cache = folder / "__pycache__"
    stamp = cache / _STAMP
    with suppress(OSError):
        if stamp.exists() and stamp.read_text(encoding="ascii") == digest.hexdigest():
            return
        for piece in (*cache.glob("*.nbi"), *cache.glob("*.nbc")):
            piece.unlink(missing_ok=True)
        cache.mkdir(exist_ok=True)
        stamp.write_text(digest.hexdigest(), encoding="ascii")


drop_stale(Path(__file__).parent)
