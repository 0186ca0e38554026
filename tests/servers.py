"""A PostgreSQL server of the tests' own, from the system's packages, on a port of its own."""

from __future__ import annotations

import atexit
import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import psycopg

_NUMBERS = count()


@dataclass
class Server:
    """A running server. as_user: what stands before each of its commands."""

    folder: Path
    programs: Path
    port: int
    as_user: list[str] = field(default_factory=list)

    def new_database(self) -> str:
        """Make an empty database and return its URL."""
        name = f"fleet{next(_NUMBERS)}"
        with self.connect() as connection:
            # Copied as files, and without waiting for the disk: a test's database is soon made.
            copied = "STRATEGY file_copy" if connection.info.server_version >= 150000 else ""
            connection.execute(f"CREATE DATABASE {name} {copied} TEMPLATE template0")
        return f"postgresql://hangar@127.0.0.1:{self.port}/{name}"

    def connect(self, database: str = "postgres") -> psycopg.Connection:
        """Connect to a database as the server's owner, each statement a transaction."""
        place = f"host=127.0.0.1 port={self.port} user=hangar dbname={database}"
        return psycopg.connect(place, autocommit=True)

    def run(self, program: str, *words: str) -> None:
        subprocess.run(
            [*self.as_user, str(self.programs / program), *words],
            check=True, capture_output=True, cwd="/",
        )  # fmt: skip

    def start(self) -> None:
        # Nobody pulls the plug of the machine here, only of the server: what it has handed to the
        # system is there when it starts again, whether it waited for the disk or not.
        options = (
            f"-p {self.port} -c listen_addresses=127.0.0.1 -k {self.folder} -c fsync=off "
            "-c full_page_writes=off -c autovacuum=off -c max_connections=40"
        )
        self.run(
            "pg_ctl", "-D", str(self.folder / "data"), "-l", str(self.folder / "log"),
            "-o", options, "-w", "start",
        )  # fmt: skip

    def stop(self, how: str = "fast") -> None:
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-m", how, "-w", "stop")

    def remove(self) -> None:
        """Stop the server if it runs, and remove all of it."""
        with contextlib.suppress(subprocess.CalledProcessError):
            self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)


def _roomy() -> str | None:
    """Return a folder in memory where there is one with room: many databases are made there."""
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and os.access(memory, os.W_OK)
    return str(memory) if roomy and shutil.disk_usage(memory).free > 4 << 30 else None


def server_or_reason() -> Server | str:
    """Start a server, or say why there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found:
        return "PostgreSQL's server is not installed (Debian: postgresql)"
    as_user: list[str] = []
    folder = Path(tempfile.mkdtemp(prefix="logbook-server-", dir=_roomy()))
    if os.geteuid() == 0:
        # The server refuses to run as root; its packages make a user for it.
        as_user = ["runuser", "-u", "postgres", "--"]
        shutil.chown(folder, "postgres")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = Server(folder, found[-1].parent, port, as_user)
    server.run(
        "initdb", "-N", "-D", str(folder / "data"), "-U", "hangar", "-A", "trust", "-E", "UTF8",
        "--locale=C.UTF-8",
    )  # fmt: skip
    try:
        server.start()
    except subprocess.CalledProcessError:
        server.remove()
        raise
    atexit.register(server.remove)
    return server
