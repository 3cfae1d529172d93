"""The API answers from what others computed: it must not carry their weight."""

from __future__ import annotations

import subprocess
import sys

HEAVY = {"pandas", "numba", "sklearn", "scipy", "matplotlib", "paho", "cbor2"}


def test_api_starts_without_the_heavy_libraries() -> None:
    program = (
        f"import sys, api.app, api.role; print(sorted({HEAVY!r} & {{name.partition('.')[0] for name in sys.modules}}))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"
