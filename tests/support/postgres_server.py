"""A PostgreSQL server for the tests: Debian's, in a temporary folder, on a Unix socket, run by an unprivileged user.

``with postgres_server() as server: open_logbook(server.new_database())``. Nothing listens on the network, and nothing that
is installed or running on the machine is touched.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

from support.system import missing

_PROGRAMS = Path("/usr/lib/postgresql")
_NOBODY = "nobody"


def programs() -> Path:
    """The folder with initdb and pg_ctl of the newest version; skips the test, or fails where everything is required."""
    found = sorted(_PROGRAMS.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if not found:
        missing("no PostgreSQL server (Debian package postgresql)")
    try:
        import psycopg  # noqa: F401
    except ImportError:
        missing("no psycopg (the extra 'postgres')")
    return found[-1].parent


class PostgresServer:
    """The running server; its superuser is ``owner``, and whoever reaches the socket is let in."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._bin, self._numbers = folder, programs(), count(1)
        self._as: list[str] = []
        if os.geteuid() == 0:
            # The server refuses to run as root.
            shutil.chown(folder, _NOBODY)
            self._as = ["setpriv", f"--reuid={_NOBODY}", "--clear-groups", "--"]
        self._run(
            *(
                "initdb",
                "-D",
                f"{folder}/data",
                "-U",
                "owner",
                "-A",
                "trust",
                "-E",
                "UTF8",
                "--locale=C.UTF-8",
                "-N",
            )
        )

    def start(self) -> None:
        options = f"-k {self.folder} -c listen_addresses='' -c fsync=off -c shared_buffers=16MB -c max_connections=40"
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-o", options, "-l", f"{self.folder}/log", "-w", "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", f"{self.folder}/data", "-m", "immediate", "-w", "stop")

    def new_database(self) -> str:
        """The address of an empty database."""
        name = f"logbook_{next(self._numbers)}"
        self.sql("postgres", f"CREATE DATABASE {name}")
        return self.address(name)

    def address(self, database: str, user: str = "owner") -> str:
        return f"postgresql://{user}@/{database}?host={self.folder}"

    def sql(self, database: str, statement: str) -> str:
        """What psql prints for a statement."""
        return self._run(
            *("psql", "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1"),
            "-h",
            str(self.folder),
            "-U",
            "owner",
            "-d",
            database,
            "-c",
            statement,
        )

    def _run(self, program: str, *arguments: str) -> str:
        # The server goes on and keeps what it inherits open, so its output goes to a file, not to a pipe.
        with tempfile.TemporaryFile("w+") as output:
            done = subprocess.run(
                [*self._as, str(self._bin / program), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd=self.folder,
                env={**os.environ, "LC_ALL": "C.UTF-8"},
                timeout=120,
            )
            output.seek(0)
            text = output.read()
        assert done.returncode == 0, text
        return text


@contextmanager
def postgres_server() -> Iterator[PostgresServer]:
    """Start a server, and stop it at the end."""
    programs()
    # Sockets have short names: not below pytest's folders.
    folder = Path(tempfile.mkdtemp(prefix="taptest-pg-", dir="/tmp"))
    try:
        server = PostgresServer(folder)
        server.start()
        try:
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
