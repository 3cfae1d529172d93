"""Debian's PostgreSQL in a folder and on a loopback port of its own, with a database for each test."""

from __future__ import annotations

import contextlib
import itertools
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import sqlalchemy as sa

from ingest.store.records import Records
from tests.running import Running

USER, PASSWORD = "ullage", "postgres secret"
_START_S = 60.0
_MIGRATED = "migrated"


def _program(name: str) -> str:
    """Debian keeps each version's programs in a folder of its own; the newest there is."""
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda file: int(file.parts[-3]))
    program = str(found[-1]) if found else shutil.which(name)
    assert program is not None, f"{name} is not installed: run deploy/test.sh"
    return program


class Postgres(Running):
    """Start it, kill it, start it again: what it committed is there."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._process: subprocess.Popen[bytes] | None = None
        self._numbers = itertools.count()
        # Not under pytest's folder: the server does not run as root, and root's folders are closed to others.
        self._folder = Path(tempfile.mkdtemp(prefix="ullage-postgres-"))
        self._as: list[str] = []
        if os.getuid() == 0:
            user = pwd.getpwnam("postgres")
            os.chown(self._folder, user.pw_uid, user.pw_gid)
            self._as = ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]
        secret = self._folder / "password"
        secret.write_text(PASSWORD)
        secret.chmod(0o644)
        command = [_program("initdb"), "-D", str(self._data), "-U", USER, "-A", "scram-sha-256", "-E", "UTF8"]
        command += ["--locale=C.UTF-8", "--no-sync", f"--pwfile={secret}"]
        subprocess.run([*self._as, *command], check=True, capture_output=True, cwd=self._folder)

    @property
    def _data(self) -> Path:
        return self._folder / "data"

    def url(self, database: str) -> str:
        """How SQLAlchemy reaches a database."""
        return f"postgresql+psycopg://{USER}:{PASSWORD.replace(' ', '%20')}@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        """Start it, and return when it takes connections."""
        command = [_program("postgres"), "-D", str(self._data), "-p", str(self.port), "-k", str(self._folder)]
        command += ["-c", "listen_addresses=127.0.0.1", "-c", "fsync=off"]  # no power cut is played
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [*self._as, *command], stdout=log, stderr=subprocess.STDOUT, cwd=self._folder
            )
        end = time.monotonic() + _START_S
        while self._process.poll() is None and time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                self._run("SELECT 1")
            except (OSError, sa.exc.OperationalError):
                time.sleep(0.05)
            else:
                return
        raise AssertionError(f"PostgreSQL did not start: {(self._folder / 'log').read_text(errors='replace')[-2000:]}")

    def empty(self) -> str:
        """The URL of a new database without a table."""
        name = f"test_{next(self._numbers)}"
        self._run(f"CREATE DATABASE {name}")
        return self.url(name)

    def migrated(self) -> str:
        """The URL of a new database with the schema of the records, copied from one that was migrated once."""
        if not self._run(f"SELECT 1 FROM pg_database WHERE datname = '{_MIGRATED}'"):
            self._run(f"CREATE DATABASE {_MIGRATED}")
            Records(self.url(_MIGRATED)).close()
        name = f"test_{next(self._numbers)}"
        self._run(f"CREATE DATABASE {name} TEMPLATE {_MIGRATED}")
        return self.url(name)

    def kill(self) -> None:
        """As when the power goes, but for the disk."""
        assert self._process is not None
        own = ["pgrep", "-P", str(self._process.pid)]
        children = subprocess.run(own, capture_output=True, text=True, check=False).stdout.split()
        self._process.kill()
        for child in children:
            with contextlib.suppress(ProcessLookupError):  # they end by themselves when their parent is gone
                os.kill(int(child), signal.SIGKILL)
        self._process.wait(20)

    def stop(self) -> None:
        """End it in order, connections or not, and take its folder away."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(20)
        shutil.rmtree(self._folder)

    def _run(self, statement: str) -> bool:
        """Run a statement in the server's own database; whether it gave a row."""
        engine = sa.create_engine(self.url("postgres"), isolation_level="AUTOCOMMIT", poolclass=sa.pool.NullPool)
        with engine.connect() as connection:
            done = connection.exec_driver_sql(statement)
            return done.returns_rows and done.first() is not None
