"""The demo folder: which jobs there are, what befell them, and writing it whole or not at all."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from os import PathLike
from pathlib import Path

import numpy as np
import numpy.typing as npt

from adapt.problems import BadInput
from adapt.scenario.fleet import Fleet, main_fleet, tail_fleet
from adapt.scenario.history import Job, Mishap, fleet_history, tonight
from adapt.scenario.tables import chart_text, log_tables, points_text

__all__ = ["Demo", "Truth", "truth", "write_demo"]

_MAIN_MISHAPS = {
    ("MR-101", 2): Mishap(excluded=1),
    ("MR-101", 4): Mishap(recounted=True),
    ("MR-102", 1): Mishap(repeated=1),
    ("MR-102", 3): Mishap(ground_only=1),
    ("MR-103", 2): Mishap(no_tracker=True),
    ("MR-104", 4): Mishap(sign=1),
    ("MR-105", 2): Mishap(bad_clock=2),
    ("MR-105", 3): Mishap(neighbour=1),
    ("MR-106", 2): Mishap(turned_deg=35.0),
    ("MR-106", 3): Mishap(replaced=1),
    ("MR-106", 5): Mishap(spreadsheet_clock=1),
    ("MR-107", 2): Mishap(track_excluded=1),
    ("MR-108", 1): Mishap(unknown_fitted=True),
    ("MR-108", 4): Mishap(no_blade=1),
}
_TAIL_MISHAPS = {("TR-302", 1): Mishap(repeated=1)}
_WRITTEN_BY_HAND = (
    "main-rotor.toml",
    "tail-rotor.toml",
    "tail-holes.toml",
    "tail-loan-kit.toml",
    "tail-as-charted.toml",
)
_TONIGHT_MAIN, _TONIGHT_TAIL = "MR-107", "TR-304"


@dataclass(frozen=True)
class Demo:
    """Where the demo's files are, and the names of the two jobs that are open tonight."""

    folder: Path
    main_rotor: Path
    tail_rotor: Path
    main_chart: Path
    tail_chart: Path
    tail_points: Path
    log: Path
    main_job: str
    tail_job: str

    @classmethod
    def within(cls, folder: Path, main_job: str, tail_job: str) -> Demo:
        """Return where the files are in a folder that holds the demo."""
        return cls(
            folder=folder,
            main_rotor=folder / "main-rotor.toml",
            tail_rotor=folder / "tail-rotor.toml",
            main_chart=folder / "chart.csv",
            tail_chart=folder / "tail-chart.csv",
            tail_points=folder / "tail-points.csv",
            log=folder / "log",
            main_job=main_job,
            tail_job=tail_job,
        )


@dataclass(frozen=True, eq=False)
class Truth:
    """What the demo's fleet really is; for studies and tests, never for the program.

    jobs: every job by its name, as it really went; the open ones are main_job and tail_job.
    """

    main: Fleet
    tail: Fleet
    jobs: Mapping[str, Job]
    main_job: str
    tail_job: str


def truth() -> Truth:
    """Return the demo's fleet and history as they really are. The same at every call."""
    main, tail = main_fleet(), tail_fleet()
    main_jobs, main_left = fleet_history(
        main, 5, _MAIN_MISHAPS, np.array([80.0, 1.0, 1.5]), seed=77
    )
    tail_jobs, tail_left = fleet_history(tail, 2, _TAIL_MISHAPS, np.array([5.0, 5.0, 1.5]), seed=78)
    history = sorted([*main_jobs, *tail_jobs], key=lambda job: job.runs[0].started)
    open_main = tonight(
        main, _TONIGHT_MAIN, main_left[_TONIGHT_MAIN], _gone_wrong_main(),
        datetime(2026, 11, 24, 15, 20), seed=5,
    )  # fmt: skip
    open_tail = tonight(
        tail, _TONIGHT_TAIL, tail_left[_TONIGHT_TAIL], _gone_wrong_tail(),
        datetime(2026, 11, 24, 10, 35), seed=6,
    )  # fmt: skip
    named = {f"J-{n:03d}": job for n, job in enumerate([*history, open_tail, open_main], start=1)}
    last = list(named)
    return Truth(main, tail, named, main_job=last[-1], tail_job=last[-2])


def write_demo(folder: str | PathLike[str]) -> Demo:
    """Write the demo into a folder that is new, empty, or holds this demo unchanged.

    Raises BadInput when the folder holds anything that writing would replace, or cannot be made;
    nothing is written then. A demo that is there unchanged is left alone, with any other files.
    """
    target = Path(folder)
    true = truth()
    content = _content(true)
    try:
        if not _is_there(target, content):
            _refuse_if_occupied(target)
            _write_whole(target, content)
    except OSError as error:
        raise BadInput(f"{target} cannot be written: {error.strerror}; nothing was left") from error
    return Demo.within(target, true.main_job, true.tail_job)


def _content(true: Truth) -> dict[str, bytes]:
    """Return every file of the demo by its path in the folder."""
    package = files("adapt.scenario")
    serials = set(true.main.machines)
    jobs = [
        (true.main.rotor if job.serial in serials else true.tail.rotor, name, job)
        for name, job in true.jobs.items()
    ]
    text = {name: (package / name).read_text("utf-8") for name in _WRITTEN_BY_HAND}
    guide = (package / "README.txt").read_text("utf-8")
    text["README.txt"] = guide.format(
        main_job=true.main_job,
        tail_job=true.tail_job,
        main_aircraft=true.jobs[true.main_job].aircraft,
        tail_aircraft=true.jobs[true.tail_job].aircraft,
    )
    text["chart.csv"] = chart_text(true.main.rotor, true.main.chart)
    text["tail-chart.csv"] = chart_text(true.tail.rotor, true.tail.chart)
    text["tail-points.csv"] = points_text(true.tail.rotor, true.tail.chart)
    text |= {f"log/{name}": table for name, table in log_tables(jobs).items()}
    return {name: content.encode("utf-8") for name, content in text.items()}


def _is_there(target: Path, content: Mapping[str, bytes]) -> bool:
    return all(
        (target / name).is_file() and (target / name).read_bytes() == wanted
        for name, wanted in content.items()
    )


def _refuse_if_occupied(target: Path) -> None:
    if target.is_dir() and target.samefile(Path.cwd()):
        raise BadInput("the folder in use cannot be replaced; give the name of a new folder")
    if target.exists() and not target.is_dir():
        raise BadInput(f"{target} is a file; give the name of a new folder for the demo")
    if target.is_dir() and any(target.iterdir()):
        raise BadInput(
            f"{target} holds other files, or a demo that was changed; nothing was written. "
            "Give the name of a new folder for the demo"
        )


def _write_whole(target: Path, content: Mapping[str, bytes]) -> None:
    """Write all files beside the target and put the folder in place in one step."""
    target.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        for name, wanted in content.items():
            (part / name).parent.mkdir(exist_ok=True)
            (part / name).write_bytes(wanted)
        part.chmod(0o755)
        if target.is_dir():
            target.rmdir()
        part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _gone_wrong_main() -> npt.NDArray[np.float64]:
    """Return what went wrong before tonight's job: (blade, adjuster), hub weight, tab, link.

    Chosen so that cures of single regimes work against each other, and the chart points elsewhere.
    """
    gone = np.zeros((5, 3))
    gone[0, 0] = -240.0  # a lost balance weight on red,
    gone[2, 1] = -2.5  # a tab on green that was bent down,
    gone[1, 2] = -3.0  # and a pitch link on blue that was set short
    return gone


def _gone_wrong_tail() -> npt.NDArray[np.float64]:
    """Return what went wrong before tonight's tail rotor job: span and chord weight, link."""
    return np.array([[7.0, -6.0, 1.0], [0.0, 0.0, 0.0]])
