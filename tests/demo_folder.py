"""The demo's folder for tests: a copy of the one kept for people to read, which costs nothing.

`test_scenario` holds it against what `write_demo` writes, file by file and name by name.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from adapt.scenario import Demo

KEPT = Path(__file__).parents[1] / "datasets" / "demo"


def demo_in(folder: Path) -> Demo:
    """Return where the demo's files are in a folder that holds it."""
    return Demo(
        folder=folder,
        main_rotor=folder / "main-rotor.toml",
        tail_rotor=folder / "tail-rotor.toml",
        main_chart=folder / "chart.csv",
        tail_chart=folder / "tail-chart.csv",
        tail_points=folder / "tail-points.csv",
        log=folder / "log",
        main_job="J-058",
        tail_job="J-057",
    )


def copied_demo(folder: Path) -> Demo:
    """Copy the demo into a folder that is not there yet; its log has no README of its own."""
    shutil.copytree(KEPT, folder)
    return demo_in(folder)


def keep_jobs(log: Path, kept: set[str]) -> None:
    """Leave only some jobs in a log."""
    for path in sorted(log.glob("*.csv")):
        header, *lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        at = header.rstrip("\n").split(",").index("job")
        rows = [line for line in lines if line.split(",")[at] in kept]
        path.write_text("".join([header, *rows]), encoding="utf-8")
