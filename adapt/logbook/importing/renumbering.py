"""Reviews are numbered within their source: where a logbook gave a number away, they get another.

A decision is known by its entry, who made it and when: taken in again it keeps the number that it
has here. Corrections go with their review.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from sqlalchemy import select

from adapt.database.schema import LOG_TABLES
from adapt.database.states import names_of
from adapt.database.writing import Change
from adapt.log.decided_rows import next_number
from adapt.logbook.importing.comparing import meaning
from adapt.tables import Column, Table

__all__ = ["Renumbered", "renumbered"]

_ENTRY = ("job", "table", "after_run", "run")
_WORDS = ("decision", "kind", "explanation", "note")

_Signature = tuple[str, ...]


@dataclass(frozen=True)
class Renumbered:
    """A review of a source that has another number in the logbook. there: in the source."""

    job: str
    there: str
    here: str


@dataclass
class _Given:
    """What a logbook's numbers of reviews were ever given to.

    entries: by number, the entries decided on; jobs: by number, those that reviews or corrections
    of it name. signatures: the number of each decision.
    """

    entries: dict[str, set[_Signature]] = field(default_factory=dict)
    jobs: dict[str, set[str]] = field(default_factory=dict)
    signatures: dict[_Signature, str] = field(default_factory=dict)

    def is_of(self, number: str, entry: _Signature) -> bool:
        """Whether a number stands for this entry, as far as is known."""
        if number in self.entries:
            return entry in self.entries[number]
        return entry[0] in self.jobs.get(number, ())


def renumbered(
    change: Change, batches: Iterable[tuple[str, Table]], told: list[Renumbered]
) -> Iterator[tuple[str, Table]]:
    """Give the batches of a source with its reviews numbered as the logbook numbers them.

    told: the reviews that have another number here are added to it. Corrections have to come after
    the reviews, as they do in a log.
    """
    waiting: list[Table] = []
    numbers: dict[str, str] = {}
    for name, batch in batches:
        if name == "reviews":
            waiting.append(batch)
            continue
        if waiting:
            numbers = _numbers(change, waiting, told)
            yield from (("reviews", _with_numbers(table, numbers)) for table in waiting)
            waiting = []
        yield name, _with_numbers(batch, numbers) if name == "corrections" else batch
    if waiting:
        numbers = _numbers(change, waiting, told)
        yield from (("reviews", _with_numbers(table, numbers)) for table in waiting)


def _numbers(change: Change, tables: Iterable[Table], told: list[Renumbered]) -> dict[str, str]:
    """Return the numbers that a source's reviews have here, by those that they have there."""
    own: dict[str, Mapping[str, str]] = {}
    for table in tables:
        columns = ("review", *_ENTRY, *_WORDS, "by", "decided")
        cells = {c: table.text(c).tolist() for c in columns}
        for i, number in enumerate(cells["review"]):
            if number:
                own.setdefault(number, {c: cells[c][i] for c in columns})
    if not own:
        return {}
    given = _given(change)
    used = [*given.entries, *given.jobs, *own]
    numbers = {}
    for number, row in own.items():
        entry, here = _entry(row), number
        free = number not in given.entries and number not in given.jobs
        if not given.is_of(number, entry):
            known = given.signatures.get(_signature(row))
            if known is not None:
                here = known
            elif not free:
                here = next_number(used)
                used.append(here)
        if here != number:
            told.append(Renumbered(row["job"], number, here))
        numbers[number] = here
    return numbers


def _given(change: Change) -> _Given:
    """Return what the numbers of a logbook were given to, in force or not."""
    found = _Given()
    table = LOG_TABLES["reviews"]
    named = ("review", "job", "run")
    celled = ("table", "after_run", "by", "decided", *_WORDS)
    query = select(*(table.c[c] for c in (*named, *celled))).where(table.c.void == 0)
    rows = [tuple(row) for row in change.connection.execute(query.order_by(table.c.entry))]
    corrections = LOG_TABLES["corrections"]
    beside = select(corrections.c.review, corrections.c.job).distinct()
    pairs = [(int(r), int(j)) for r, j in change.connection.execute(beside)]
    numbers = {int(n) for row in rows for n in row[:3]} | {n for pair in pairs for n in pair}
    texts = names_of(change.connection, np.array(sorted(numbers), dtype=np.int64))
    for stored in rows:
        row = {c: texts[int(n)] for c, n in zip(named, stored[:3], strict=True)}
        row |= {c: text or "" for c, text in zip(celled, stored[3:], strict=True)}
        found.entries.setdefault(row["review"], set()).add(_entry(row))
        found.jobs.setdefault(row["review"], set()).add(row["job"])
        found.signatures[_signature(row)] = row["review"]
    for review, job in pairs:
        found.jobs.setdefault(texts[review], set()).add(texts[job])
    return found


def _entry(row: Mapping[str, str]) -> _Signature:
    return (row["job"], row["table"].casefold(), row["after_run"], row["run"])


def _signature(row: Mapping[str, str]) -> _Signature:
    """Return what tells a decision from others on the same entry: who and when, or all it says."""
    if row["decided"]:
        return (*_entry(row), row["by"], meaning("reviews", "decided", row["decided"]))
    return (*_entry(row), row["by"], "", *(row[c] for c in _WORDS))


def _with_numbers(table: Table, numbers: Mapping[str, str]) -> Table:
    if "review" not in table or all(here == there for there, here in numbers.items()):
        return table
    column = table.columns["review"]
    place, texts = pd.factorize(np.array([numbers.get(t, t) for t in column.texts], dtype=object))
    changed = Column("review", place[column.codes], tuple(texts), column.unit)
    return replace(table, columns={**table.columns, "review": changed})
