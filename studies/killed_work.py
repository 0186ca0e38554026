"""What children do until they are killed: jobs to import and sets to publish, all of them drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from killed import KEPT, watched

import adapt
from adapt.database.opening import Logbook, open_logbook
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.publishing import publish
from adapt.logbook.sets import sets_of
from adapt.problems import AdaptError, CannotBeMet
from adapt.rotor import Rotor
from adapt.tables import Column, Table

__all__ = [
    "KINDS", "Rows", "Tables", "Work", "job", "job_name", "rows_by_job", "set_name", "tail_jobs",
]  # fmt: skip

KINDS = ("imports", "publishes")
TAILS = 3  # rotors whose jobs teach each set
HEADERS = {
    "runs": ("rotor", "job", "run", "started", "design"),
    "readings": ("job", "run", "regime", "sensor", "amplitude", "clock"),
    "moves": ("job", "after_run", "blade", "adjuster", "amount"),
}
Tables = list[tuple[str, Table]]
Rows = Counter[frozenset[tuple[str, str]]]


def job_name(number: int) -> str:
    return f"K-{number:05d}"


def set_name(number: int) -> str:
    return f"set {number}"


def job(rotor: Rotor, number: int, seed: int) -> Tables:
    """Return the tables of a job of a drawn size: its runs, its readings, moves between them."""
    rng = np.random.default_rng([seed, number])
    runs, name = int(rng.integers(2, 6)), job_name(number)
    channels = [(r.name, s.name) for r in rotor.regimes for s in rotor.sensors]
    read = rng.permutation(len(channels))[: rng.integers(1, len(channels) + 1)]
    hours = rng.integers(0, 12, (runs, len(read)))
    amplitudes = rng.integers(1, 400, (runs, len(read)))
    day = f"{2010 + number // 336}-{1 + number // 28 % 12:02d}-{1 + number % 28:02d}"
    lines: dict[str, list[tuple[str, ...]]] = {
        "runs": [
            (f"MR-{number % 20}", name, str(k + 1), f"{day}T{8 + 2 * k:02d}:00", rotor.name)
            for k in range(runs)
        ],
        "readings": [
            (name, str(k + 1), *channels[c], f"0.{amplitudes[k, i]:03d}", f"{hours[k, i]}:30")
            for k in range(runs)
            for i, c in enumerate(read)
        ],
        "moves": [
            (name, str(k + 1), str(rng.choice(rotor.blades)), rotor.adjusters[0].name, "20")
            for k in range(runs - 1)
        ],
    }
    return [
        (
            table,
            Table(
                f"{table}.csv",
                {
                    c: Column(c, np.arange(len(rows)), tuple(row[i] for row in rows))
                    for i, c in enumerate(HEADERS[table])
                },
                np.arange(2, 2 + len(rows)),
            ),
        )
        for table, rows in lines.items()
    ]  # fmt: skip


def rows_by_job(tables: Iterable[tuple[str, Table]]) -> dict[str, Rows]:
    """Return the rows of all tables by their job: cells that are not empty, by their columns."""
    found: dict[str, Rows] = {}
    for name, table in tables:
        columns = [c for c in table.columns if c]
        for cells in zip(*(table.text(c) for c in columns), strict=True):
            row = {c: text for c, text in zip(columns, cells, strict=True) if text}
            found.setdefault(row["job"], Counter())[frozenset({"": name, **row}.items())] += 1
    return found


@dataclass
class Work:
    """What the children do in a logbook, and what its end must be."""

    place: str
    folder: Path
    main: Rotor
    tail: str
    chart: str
    seed: int

    def files(self, number: int) -> tuple[Path, Path]:
        """Return a rotor file and a chart that no other set has: a line tells which it is."""
        rotor, chart = (self.folder / f"{what}-{number}" for what in ("rotor.toml", "chart.csv"))
        rotor.write_text(f"# set {number}\n{self.tail}", encoding="utf-8")
        first, *rest = self.chart.splitlines()
        lines = [f"{first},note", *(f"{line},set {number}" for line in rest)]
        chart.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return rotor, chart

    def do(self, book: Logbook, kind: str, number: int) -> str:
        """Import a job or publish a set; return "all", or "nothing" where it was there already."""
        if kind == "imports":
            tables = job(self.main, number, self.seed)
            found = take_in(book, tables, job_name(number), "tester", rotors=[self.main])
            if found.refused or found.new not in (0, sum(len(t) for _, t in tables)):
                raise AdaptError(f"{job_name(number)}: {found.new} rows new; {found.refused}")
            return "all" if found.new else "nothing"
        rotor, chart = self.files(number)
        try:
            publish(book, set_name(number), "tester", rotor=rotor, chart=chart)
        except CannotBeMet:
            with book.reading() as connection:
                if set_name(number) not in {s.label for s in sets_of(connection)}:
                    raise
            return "nothing"
        return "all"

    def going_on(self, kind: str, first: int, count: int | None = None) -> Callable[..., None]:
        """Return the work of a child: one after the other from the first on, each told when kept.

        count: how many; None = until it is killed.
        """

        def work(tell: Callable[[str], None]) -> None:
            book = open_logbook(self.place, to_write=True)
            watched(book.engine, tell)
            number = first
            while count is None or number < first + count:
                if self.do(book, kind, number) == "all":
                    tell(f"{KEPT}{number}")
                number += 1

        return work


def tail_jobs(folder: Path) -> Tables:
    """Return the rows of the jobs of the demo's first tail rotors."""
    tables = adapt.read_log(folder).tables
    runs = tables["runs"]
    rotors = runs.text("rotor")[runs.text("design") == "tail rotor"]
    own = set(runs.text("job")[np.isin(runs.text("rotor"), sorted(set(rotors))[:TAILS])])
    every = [
        (name, table.select(np.isin(table.text("job"), sorted(own))))
        for name, table in tables.items()
    ]
    return [(name, table) for name, table in every if len(table)]
