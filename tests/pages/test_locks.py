"""Pages read and write in many threads: none may take the locks of another from it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from adapt.pages.fleet import Fleet

# Another process that reads and leaves: where nobody else has the file, it clears away what SQLite
# keeps beside it.
COMES_AND_GOES = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1])
print(connection.execute("SELECT count(*) FROM changes").fetchone()[0])
connection.close()
"""


def test_who_begins_to_write_leaves_who_reads_their_locks(place: Path) -> None:
    # sqlite.org/howtocorrupt.html, 2.2: closing a file gives up all locks of the process on it.
    fleet = Fleet(str(place))
    beside = place.with_name(place.name + "-wal")
    with fleet.state().book.reading():
        assert beside.exists()
        fleet.to_write()
        done = subprocess.run(
            [sys.executable, "-c", COMES_AND_GOES, str(place)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert int(done.stdout) > 0
        assert beside.exists()
