"""A small disk of its own that can be filled and made read-only, or what stands in for it without root."""

from __future__ import annotations

import os
import resource
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_SIZE_MB = 24


class SmallDisk:
    """A mounted tmpfs: full and read-only as a disk is."""

    kind = f"tmpfs of {_SIZE_MB} MB"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._ballast = folder / "ballast"

    def fill(self, _pid: int) -> None:
        with self._ballast.open("wb", buffering=0) as ballast:
            try:
                while True:
                    ballast.write(b"x" * 4096)
            except OSError:
                pass

    def make_room(self, _pid: int) -> None:
        self._ballast.unlink()

    def read_only(self, wanted: bool) -> None:
        _mount("-o", f"remount,{'ro' if wanted else 'rw'}", str(self.folder))


class Quota:
    """For a user who may not mount: a limit on the size of the files of one process, and rights on the files."""

    kind = "limit on file size, no root"

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, pid: int) -> None:
        # Not a byte more in any file of the size that they have now.
        self._limit(pid, min((file.stat().st_size for file in self.folder.rglob("*.db-wal")), default=0))

    def make_room(self, pid: int) -> None:
        self._limit(pid, resource.RLIM_INFINITY)

    def read_only(self, wanted: bool) -> None:
        for file in self.folder.rglob("*"):
            file.chmod((0o500 if wanted else 0o700) if file.is_dir() else (0o400 if wanted else 0o600))

    @staticmethod
    def _limit(pid: int, size: int) -> None:
        _soft, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, hard))


@contextmanager
def small_disk(folder: Path) -> Iterator[SmallDisk | Quota]:
    """The first if we may mount, else the second."""
    folder.mkdir()
    if os.geteuid() != 0 or not _mount("-t", "tmpfs", "-o", f"size={_SIZE_MB}m", "tmpfs", str(folder)):
        yield Quota(folder)
        return
    try:
        yield SmallDisk(folder)
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def may_mount() -> bool:
    """Whether a small disk can be had."""
    with tempfile.TemporaryDirectory() as folder, small_disk(Path(folder) / "disk") as disk:
        return isinstance(disk, SmallDisk)


def _mount(*arguments: str) -> bool:
    return subprocess.run(["mount", *arguments], check=False, capture_output=True).returncode == 0
