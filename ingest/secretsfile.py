"""The secrets of the bundled broker's users, in a file that only its owner can read."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Sequence
from pathlib import Path

from ingest.errors import BrokerError
from ingest.private import private_folder


def kept_secrets(folder: Path, users: Sequence[str]) -> dict[str, str]:
    """The secret of each user of a broker, made on first use: for all, or for those whom an older file lacks.

    Raises BrokerError on a damaged file.
    """
    file = folder / "broker-secrets.json"
    kept: dict[str, object] = {}
    with contextlib.suppress(FileNotFoundError):
        try:
            kept = json.loads(file.read_text(encoding="utf-8"))
            str(kept[users[0]])
        except (ValueError, KeyError, TypeError) as error:
            raise BrokerError(
                f"{file} is damaged ({error}): restore it from a backup, or delete it and give the devices "
                "the new secret that the next start makes"
            ) from error
        if all(user in kept for user in users):
            return {user: str(kept[user]) for user in users}
    made = {user: str(kept.get(user) or secrets.token_urlsafe(24)) for user in users}
    private_folder(folder)
    write_private(file, json.dumps(made, indent=2))
    return made


def write_private(file: Path, text: str) -> None:
    """Replace a file whole, readable by its owner alone."""
    fresh = file.with_suffix(".new")
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())
    fresh.replace(file)
