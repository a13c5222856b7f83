"""A PostgreSQL of the tests' own: a fresh cluster on loopback, run by an unprivileged user, gone at the end."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from needed import lacking

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Cluster", "free_port", "running"]


def free_port(start: int = 20_000) -> int:
    """Return a free port below 32768, where nothing is handed out to outgoing connections."""
    for port in range(start + os.getpid() % 5_000, 32_000):
        with socket.socket() as tried:
            if tried.connect_ex(("127.0.0.1", port)):
                return port
    raise RuntimeError("no port is free")


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    if found:
        return found[-1].parent
    named = shutil.which("initdb")
    return Path(named).parent if named else None


class Cluster:
    """A running cluster."""

    def __init__(self, folder: Path) -> None:
        programs = _programs()
        if programs is None:
            lacking("no PostgreSQL: apt-get install postgresql")
        self._programs, self._data, self.port = programs, folder / "data", free_port()
        # initdb refuses to be root
        self._as = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"] if os.geteuid() == 0 else []
        folder.mkdir(parents=True, exist_ok=True)
        if self._as:
            shutil.chown(folder, "postgres")
        self._run(
            "initdb", "-D", str(self._data), "-A", "trust", "-U", "owner", "--no-sync", "-E", "UTF8", "--locale=C"
        )
        self.start()

    def _run(self, program: str, *arguments: str) -> None:
        subprocess.run(
            [*self._as, str(self._programs / program), *arguments],
            check=True,
            capture_output=True,
            cwd="/",
            timeout=120,
        )

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c fsync=off -c max_connections=200"
        log = str(self._data / "log")
        self._run("pg_ctl", "-D", str(self._data), "-o", options, "-l", log, "-w", "-t", "90", "start")

    def stop(self, mode: str = "immediate") -> None:
        """Stop it, as a failure of its machine would."""
        self._run("pg_ctl", "-D", str(self._data), "-m", mode, "-w", "stop")

    def address(self, database: str, user: str = "owner", driver: str = "postgresql+psycopg") -> str:
        """Return the address of a database."""
        return f"{driver}://{user}@127.0.0.1:{self.port}/{database}"

    def create(self, database: str) -> str:
        """Make an empty database and return its address."""
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "owner", database)
        return self.address(database)


@contextmanager
def running(folder: Path) -> Iterator[Cluster]:
    """Have a cluster in a new folder that the unprivileged user can reach."""
    cluster = Cluster(folder)
    try:
        yield cluster
    finally:
        cluster.stop()
