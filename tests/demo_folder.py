"""The demo's folder for tests: a copy of the one kept for people to read, which costs nothing.

`test_scenario` holds it against what `write_demo` writes, file by file and name by name.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Container
from pathlib import Path

from adapt.scenario import Demo

KEPT = Path(__file__).parents[1] / "datasets" / "demo"


def demo_in(folder: Path) -> Demo:
    """Return where the demo's files are in a folder that holds it."""
    return Demo.within(folder, "J-058", "J-057")


def copied_demo(folder: Path) -> Demo:
    """Copy the demo into a folder that is not there yet; its log has no README of its own."""
    shutil.copytree(KEPT, folder)
    return demo_in(folder)


def jobs_with(log: Path, column: str, *texts: str) -> set[str]:
    """Return the jobs of a log whose runs have one of some texts in a column."""
    with (log / "runs.csv").open(encoding="utf-8", newline="") as file:
        return {row["job"] for row in csv.DictReader(file) if row[column] in texts}


def keep_jobs(log: Path, kept: Container[str]) -> None:
    """Leave only some jobs in a log."""
    for path in sorted(log.glob("*.csv")):
        header, *lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        at = header.rstrip("\n").split(",").index("job")
        rows = [line for line in lines if line.split(",")[at] in kept]
        path.write_text("".join([header, *rows]), encoding="utf-8")
