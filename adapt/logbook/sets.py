"""Published sets of coefficients: what was learned from one state, kept so that it never changes.

A set keeps the bytes of its coefficients file, the rotor file and the chart, the state it learned
from (the number of a change), its settings and the versions of all that made it. It can be
withdrawn, which is said beside it and changes nothing of it. Learning one is `publishing`'s work,
learning it again `recomputing`'s.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, func, select

from adapt.chart import Chart
from adapt.coefficients import Coefficients, coefficients_in
from adapt.database.opening import Logbook
from adapt.database.schema import LOG_TABLES, changes, documents, names, sets, withdrawals
from adapt.database.sealing import digest_of_content
from adapt.database.writing import writing
from adapt.logbook.documents import (
    chart_of,
    document_of,
)
from adapt.problems import BadInput, CannotBeMet, one_of, shown
from adapt.rotor import Rotor, rotor_in

__all__ = [
    "PublishedSet", "Withdrawal", "coefficients_of", "content_of", "corrected_since",
    "require_in_use", "set_of", "sets_of", "source_of", "withdraw",
]  # fmt: skip


@dataclass(frozen=True)
class Withdrawal:
    """That a set is not to be used: why, said by who, recorded (UTC) with which change."""

    why: str
    who: str
    recorded: str
    change: int


@dataclass(frozen=True)
class PublishedSet:
    """A published set without its bytes.

    known: the number of the change whose state it learned from. rotor, chart: numbers of its
    documents; rotor_file, chart_file: their names, "" without a chart. settings: of learning.
    programs: this program, its libraries, Python and the machine, by version. digest, size: of the
    coefficients file [bytes]. change, recorded (UTC), who, note: of its publishing.
    """

    number: int
    label: str
    design: str
    known: int
    rotor: int
    chart: int | None
    rotor_file: str
    chart_file: str
    settings: Mapping[str, Any]
    programs: Mapping[str, str]
    digest: str
    size: int
    change: int
    recorded: str
    who: str
    note: str
    withdrawn: Withdrawal | None


def sets_of(connection: Connection, change: int | None = None) -> list[PublishedSet]:
    """Return the sets that were published by a change, oldest first; None = all.

    Withdrawals too are those of that state.
    """
    query = _listed(change).order_by(sets.c.set)
    return [_published(row) for row in connection.execute(query)]


def set_of(
    book: Logbook, connection: Connection, label: str, change: int | None = None
) -> PublishedSet:
    """Return the set of a label, as of a change. Raises BadInput where there is none."""
    row = connection.execute(_listed(change).where(sets.c.label == label)).first()
    if row is None:
        labels = [s.label for s in sets_of(connection, change)]
        expected = one_of("a published set of this logbook", label, labels)
        raise BadInput(f"set: found {shown(label)}; expected {expected}")
    return _published(row)


def content_of(book: Logbook, connection: Connection, published: PublishedSet) -> bytes:
    """Return the bytes of a set's coefficients file.

    Raises BadInput where they are not those that were published.
    """
    query = select(sets.c.content).where(sets.c.set == published.number)
    content = bytes(connection.execute(query).scalar_one())
    if digest_of_content(content) != published.digest:
        raise BadInput(
            f"{book.shown}: the set {shown(published.label)} is damaged: its bytes are not those "
            "that were published. See what 'adapt logbook verify' finds, and go on from the latest "
            "back-up"
        )
    return content


def coefficients_of(
    book: Logbook, connection: Connection, published: PublishedSet, rotor: Rotor | None = None
) -> Coefficients:
    """Return a set as coefficients; rotor: the design that they are wanted for.

    Raises BadInput where the set is damaged, or of another rotor file. That it was withdrawn is
    for who asks to look at (`require_in_use`).
    """
    content = content_of(book, connection, published)
    return coefficients_in(content, f"set {shown(published.label)} of {book.shown}", rotor)


def source_of(
    book: Logbook, connection: Connection, published: PublishedSet
) -> tuple[Rotor, Chart | None]:
    """Return the rotor file and the chart of a set. Raises BadInput where one is damaged."""
    document, content = document_of(book, connection, published.rotor)
    rotor = rotor_in(content, document.file)
    if published.chart is None:
        return rotor, None
    document, content = document_of(book, connection, published.chart)
    return rotor, chart_of(content, document.file, rotor)


def require_in_use(published: PublishedSet) -> None:
    """Raise CannotBeMet for a set that was withdrawn, with why."""
    gone = published.withdrawn
    if gone is not None:
        raise CannotBeMet(
            f"the set {shown(published.label)} was withdrawn by {shown(gone.who)[1:-1]} on "
            f"{gone.recorded[:10]} and is not to be used: {shown(gone.why)[1:-1]}"
        )


def corrected_since(
    connection: Connection, published: PublishedSet, taught: Iterable[str], change: int
) -> list[str]:
    """Return those jobs, of which rows were corrected or taken out after a set learned of them.

    taught: the jobs whose pairs taught it; change: up to which it is looked for.
    """
    known = set(taught)
    found: set[str] = set()
    for name in ("runs", "readings", "track", "moves", "events"):
        table = LOG_TABLES[name]
        query = select(names.c.text).join(table, table.c.job == names.c.name).distinct()
        later = (table.c.change > published.known) & (table.c.change <= change)
        rows = connection.execute(query.where(table.c.replaces.is_not(None), later))
        found |= {str(job) for (job,) in rows} & known
    return sorted(found)


def withdraw(book: Logbook, label: str, who: str, why: str) -> PublishedSet:
    """Say that a set is not to be used; its bytes stay as they are, and so does its label.

    Raises BadInput where there is no such set or nothing is said of why, CannotBeMet when it was
    withdrawn before.
    """
    if not why.strip():
        raise BadInput("why: found nothing; expected why the set is not to be used")
    with writing(book, who, "withdraw", why) as change:
        published = set_of(book, change.connection, label)
        require_in_use(published)
        change.add("withdrawals", set=published.number, why=why)
    with book.reading() as connection:
        return set_of(book, connection, label)


def _listed(change: int | None) -> Select[Any]:
    """Return the query of all sets, each with its documents' names and its withdrawal."""
    rotor, chart = documents.alias("rotor_file"), documents.alias("chart_file")
    said = changes.alias("withdrawing")
    own = changes.alias("publishing")
    gone = sets.c.set == withdrawals.c.set
    if change is not None:
        gone &= withdrawals.c.change <= change
    query: Select[Any] = select(
        sets.c.set, sets.c.label, sets.c.design, sets.c.known, sets.c.rotor, sets.c.chart,
        rotor.c.file.label("rotor_name"), chart.c.file.label("chart_name"), sets.c.settings,
        sets.c.programs, sets.c.digest, func.length(sets.c.content).label("size"), sets.c.change,
        own.c.recorded, own.c.who, own.c.note, withdrawals.c.why,
        said.c.who.label("gone_by"), said.c.recorded.label("gone_on"),
        withdrawals.c.change.label("gone_with"),
    )  # fmt: skip
    query = (
        query.join(own, own.c.change == sets.c.change)
        .join(rotor, rotor.c.document == sets.c.rotor)
        .outerjoin(chart, chart.c.document == sets.c.chart)
        .outerjoin(withdrawals, gone)
        .outerjoin(said, said.c.change == withdrawals.c.change)
    )
    return query if change is None else query.where(sets.c.change <= change)


def _published(row: Row[Any]) -> PublishedSet:
    gone = None
    if row.gone_with is not None:
        gone = Withdrawal(row.why, row.gone_by, row.gone_on, row.gone_with)
    return PublishedSet(
        row.set, row.label, row.design, row.known, row.rotor, row.chart, row.rotor_name,
        row.chart_name or "", json.loads(row.settings), json.loads(row.programs), row.digest,
        row.size, row.change, row.recorded, row.who, row.note, gone,
    )  # fmt: skip
