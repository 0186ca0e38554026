"""Small jobs as the tables of a source, without files: what writers of the tests bring in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from books import ONE_JOB

from adapt.database.opening import Logbook
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.importing.values import TakenIn
from adapt.tables import Column, Table

ROWS = sum(len(lines) - 1 for lines in ONE_JOB.values())


def job_name(number: int) -> str:
    return f"J-{number:05d}"


def small_job(number: int) -> list[tuple[str, Table]]:
    """Return the tables of a job with two runs, their readings, and a move between them."""
    return [
        (name, _table(name, lines[0], [_of(number, line) for line in lines[1:]]))
        for name, lines in ONE_JOB.items()
    ]


def bring_in(book: Logbook, number: int, who: str = "tester") -> TakenIn:
    return take_in(book, small_job(number), f"source {number}", who)


def _of(number: int, line: Sequence[str]) -> list[str]:
    return [cell.replace("J-1", job_name(number)) for cell in line]


def _table(name: str, header: Sequence[str], lines: Sequence[Sequence[str]]) -> Table:
    rows = np.arange(2, 2 + len(lines))
    columns = {
        c: Column(c, np.arange(len(lines)), tuple(line[i] for line in lines))
        for i, c in enumerate(header)
    }
    return Table(f"{name}.csv", columns, rows)
