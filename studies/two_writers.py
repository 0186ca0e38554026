"""Two processes append to a logbook at once while two others read: is anything lost or half seen?

    python studies/two_writers.py --seconds 60 [postgresql://user@host/empty-database]
    python studies/two_writers.py --quick           # 5 seconds

Each writer brings in one small job after the other and notes what was confirmed. Each reader counts
the rows of every job of the last state again and again: a job with fewer rows than it was brought
in with would be a half. At the end every confirmed job must be there, whole. Ends with status 1
when anything was lost, half seen or refused.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from asking import add_folder, ended, of_the_study, options_of, seconds
from kept import kept_csv, kept_figure, kept_text
from matplotlib.figure import Figure

from adapt.database.making import new_logbook
from adapt.database.opening import open_logbook
from adapt.database.states import latest, tables_in_force
from adapt.database.verifying import verify
from adapt.logbook.importing.taking_in import take_in
from adapt.tables import Column, Table

ROWS = {
    "runs": (("rotor", "job", "run", "started"), (
        ("MR-9", "{job}", "1", "2026-03-01T09:00"), ("MR-9", "{job}", "2", "2026-03-01T11:00"))),
    "readings": (("job", "run", "regime", "sensor", "amplitude", "clock"), (
        ("{job}", "1", "hover", "cabin lateral", "0.30", "4:20"),
        ("{job}", "2", "hover", "cabin lateral", "0.10", "10:15"))),
    "moves": (("job", "after_run", "blade", "adjuster", "amount"), (
        ("{job}", "1", "red", "hub weight", "40"),)),
}  # fmt: skip
PER_JOB = sum(len(lines) for _, lines in ROWS.values())


@dataclass
class Found:
    """What a run found. kept: jobs by writer; waits_s: of each import, by writer.

    lost: jobs that were confirmed and are not there. torn: states in which a job was half there.
    """

    kept: dict[str, int] = field(default_factory=dict)
    waits_s: dict[str, list[float]] = field(default_factory=dict)
    lost: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    torn: int = 0
    reads: int = 0
    seconds: float = 0.0


def job(name: str) -> list[tuple[str, Table]]:
    """Return the tables of a small job."""
    return [
        (
            table,
            Table(
                f"{table}.csv",
                {
                    c: Column(
                        c, np.arange(len(lines)),
                        tuple(line[i].format(job=name) for line in lines),
                    )
                    for i, c in enumerate(header)
                },
                np.arange(2, 2 + len(lines)),
            ),
        )
        for table, (header, lines) in ROWS.items()
    ]  # fmt: skip


def write(place: str, who: str, until: float, results: Any) -> None:
    """Bring jobs in until a moment; put (who, kept jobs, seconds of each, what failed)."""
    of_the_study()
    kept: list[str] = []
    waits: list[float] = []
    failed = ""
    try:
        book = open_logbook(place, to_write=True)
        while time.time() < until:
            name = f"{who}-{len(kept):06d}"
            begun = time.perf_counter()
            if take_in(book, job(name), name, who).change is not None:
                kept.append(name)
            waits.append(time.perf_counter() - begun)
    except Exception as error:
        failed = f"{who}: {type(error).__name__}: {error}"
    results.put((who, kept, waits, failed))


def read(place: str, who: str, until: float, results: Any) -> None:
    """Read the last state again and again; put (who, reads, halves seen, what failed)."""
    of_the_study()
    reads = torn = 0
    failed = ""
    try:
        book = open_logbook(place)
        last = 0
        while time.time() < until:
            with book.reading() as connection:
                change = latest(connection)
                tables = tables_in_force(book, connection, change)
            count = Counter(name for table in tables.values() for name in table.text("job"))
            torn += any(n != PER_JOB for n in count.values())
            torn += len(count) != change or change < last
            last = change
            reads += 1
    except Exception as error:
        failed = f"{who}: {type(error).__name__}: {error}"
    results.put((who, reads, torn, failed))


def run(place: str, seconds: float) -> Found:
    """Let two writers and two readers work on an empty logbook."""
    context = multiprocessing.get_context("fork")
    results: Any = context.Queue()
    until = time.time() + seconds
    works: list[tuple[Callable[..., None], str]] = [
        (write, "one"), (write, "two"), (read, "reader one"), (read, "reader two"),
    ]  # fmt: skip
    children = [
        context.Process(target=work, args=(place, who, until, results), daemon=True)
        for work, who in works
    ]
    for child in children:
        child.start()
    answers = [results.get(timeout=seconds + 120) for _ in children]
    for child in children:
        child.join()
    found = Found(seconds=seconds)
    confirmed: set[str] = set()
    for who, first, second, failed in answers:
        if failed:
            found.failed.append(failed)
        if who.startswith("reader"):
            found.reads += first
            found.torn += second
        else:
            confirmed |= set(first)
            found.kept[who], found.waits_s[who] = len(first), second
    book = open_logbook(place)
    with book.reading() as connection:
        tables = tables_in_force(book, connection, latest(connection))
    there = Counter(name for table in tables.values() for name in table.text("job"))
    found.lost = sorted(name for name in confirmed if there.get(name) != PER_JOB)
    return found


def report(found: Found, changes: int, whole: str) -> list[dict[str, str | float]]:
    """Print what was found; return it as rows. whole: what looking through said."""
    print(f"{found.seconds:g} s, two writers and two readers at once")
    rows: list[dict[str, str | float]] = []
    for who in sorted(found.kept):
        waits = np.array([*found.waits_s[who]] or [np.nan])
        middle, high = np.quantile(waits, [0.5, 0.99])
        print(
            f"writer {who}: {found.kept[who]} changes kept; each took "
            f"{middle:.3f} s in the median, {high:.3f} s at 99 %, {waits.max():.2f} s at most"
        )
        rows += [{"what": f"writer {who}: changes kept", "number": found.kept[who]},
                 {"what": f"writer {who}: median [s]", "number": middle},
                 {"what": f"writer {who}: at most [s]", "number": waits.max()}]  # fmt: skip
    print(f"states read: {found.reads}; of them half seen: {found.torn}")
    print(f"confirmed and lost: {len(found.lost)}; refused: {found.failed or 'none'}")
    print(f"looked through: {changes} changes, {whole}")
    rows += [{"what": "states read", "number": found.reads},
             {"what": "half seen", "number": found.torn},
             {"what": "confirmed and lost", "number": len(found.lost)},
             {"what": "refused", "number": len(found.failed)}]  # fmt: skip
    return rows


def picture(found: Found) -> Figure:
    """Return how many changes took at most so long, by writer."""
    figure = Figure(figsize=(5.2, 3.6), layout="constrained")
    axes = figure.add_subplot()
    for (who, waits), style in zip(sorted(found.waits_s.items()), ("-", "--"), strict=False):
        if waits:
            axes.ecdf(np.array(waits), color="black", linestyle=style, label=f"writer {who}")
    axes.set_xlabel("seconds that a change took")
    axes.set_ylabel("share of changes that took at most that")
    axes.legend(frameon=False)
    return figure


def main() -> int:
    """Run, and print the figures."""
    options = options_of(__doc__)
    options.add_argument("--seconds", type=seconds, default=60.0)
    options.add_argument("--quick", dest="seconds", action="store_const", const=5.0, help="5 s")
    options.add_argument("place", nargs="?", help="an empty database of a server")
    add_folder(options)
    asked = options.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        kept_text(asked.folder, "two_writers.txt"),
    ):
        place = asked.place or str(Path(folder) / "fleet.logbook")
        new_logbook(place)
        print(f"writing and reading for {asked.seconds:g} s", file=sys.stderr, flush=True)
        found = run(place, asked.seconds)
        seen = verify(open_logbook(place))
        rows = report(found, seen.changes, "whole" if seen.whole else str(seen.damages[0]))
    kept_csv(asked.folder, "two_writers.csv", rows)
    kept_figure(asked.folder, "two_writers", picture(found))
    good = not found.lost and not found.torn and not found.failed and seen.whole
    return 0 if good and seen.changes == sum(found.kept.values()) else 1


if __name__ == "__main__":
    ended(main)
