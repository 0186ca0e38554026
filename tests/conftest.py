"""What test folders share: the modules beside this file, and places for logbooks.

Every test of a logbook runs on SQLite, and on PostgreSQL where a server can be started.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from servers import Server, server_or_reason


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    found = server_or_reason()
    if isinstance(found, str):
        pytest.skip(found)
    yield found
    found.remove()


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a logbook that is not there yet."""
    if request.param == "sqlite":
        return str(tmp_path / "fleet.logbook")
    return request.getfixturevalue("server").new_database()


@pytest.fixture
def second_place(place: str, request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Gives addresses of more logbooks of the same kind."""
    count = iter(range(100))

    def another() -> str:
        if place.startswith("postgresql"):
            return str(request.getfixturevalue("server").new_database())
        return str(tmp_path / f"other{next(count)}.logbook")

    return another
