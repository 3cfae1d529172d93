"""Answers of weather services, written for these tests after each service's documented format.

The numbers are invented, for the invented Skerrow Head at 57.6 N, 3.9 W.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "weather"


def body_of(name: str) -> bytes:
    return (FOLDER / f"{name}.json").read_bytes()


def changed(name: str, change: Callable[[Any], object]) -> bytes:
    """An answer with something in it made different."""
    document = json.loads(body_of(name))
    change(document)
    return json.dumps(document).encode()
