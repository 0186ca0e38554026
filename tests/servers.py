"""A PostgreSQL server of the tests' own, from the system's packages, on a port of its own."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

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
        self.run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "hangar", name)
        return f"postgresql://hangar@127.0.0.1:{self.port}/{name}"

    def run(self, program: str, *words: str) -> None:
        subprocess.run(
            [*self.as_user, str(self.programs / program), *words],
            check=True, capture_output=True, cwd="/",
        )  # fmt: skip

    def start(self) -> None:
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -k {self.folder}"
        self.run(
            "pg_ctl", "-D", str(self.folder / "data"), "-l", str(self.folder / "log"),
            "-o", options, "-w", "start",
        )  # fmt: skip

    def stop(self, how: str = "fast") -> None:
        self.run("pg_ctl", "-D", str(self.folder / "data"), "-m", how, "-w", "stop")

    def remove(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)


def server_or_reason() -> Server | str:
    """Start a server, or say why there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found:
        return "PostgreSQL's server is not installed (Debian: postgresql)"
    as_user: list[str] = []
    folder = Path(tempfile.mkdtemp(prefix="logbook-server-"))
    if os.geteuid() == 0:
        # The server refuses to run as root; its packages make a user for it.
        as_user = ["runuser", "-u", "postgres", "--"]
        shutil.chown(folder, "postgres")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = Server(folder, found[-1].parent, port, as_user)
    server.run(
        "initdb", "-D", str(folder / "data"), "-U", "hangar", "-A", "trust", "-E", "UTF8",
        "--locale=C.UTF-8",
    )  # fmt: skip
    server.start()
    return server
