"""Publishing a set: learning from what a logbook holds now, and keeping all that made it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from os import PathLike

from sqlalchemy import Connection, select

from adapt.chart import Chart
from adapt.coefficients import coefficients_content
from adapt.database.opening import Logbook
from adapt.database.schema import sets
from adapt.database.sealing import digest_of_content
from adapt.database.states import latest
from adapt.database.writing import writing
from adapt.learning import learn
from adapt.log import check
from adapt.log_columns import folded
from adapt.logbook.documents import (
    CHART,
    ROTOR_FILE,
    chart_of,
    document_of,
    file_content,
    kept_in,
    latest_chart,
    latest_rotor_file,
)
from adapt.logbook.programs import programs_now
from adapt.logbook.sets import PublishedSet, set_of
from adapt.logbook.state import log_at
from adapt.problems import BadInput, CannotBeMet, shown
from adapt.rotor import Rotor, rotor_in

__all__ = ["LONGEST_LABEL", "publish", "require_new_label"]

LONGEST_LABEL = 100
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class _From:
    """A rotor file and a chart to learn with, and what is to be kept of them."""

    rotor: Rotor
    rotor_document: tuple[str, bytes]
    chart: Chart | None
    chart_document: tuple[str, bytes] | None


def publish(
    book: Logbook,
    label: str,
    who: str,
    *,
    design: str | None = None,
    rotor: str | PathLike[str] | None = None,
    chart: str | PathLike[str] | None = None,
    with_chart: bool = True,
    robust: bool = False,
    note: str = "",
    progress: Progress | None = None,
) -> PublishedSet:
    """Learn from what a logbook holds now, and publish the coefficients under a label.

    The logbook was opened to write. design: whose kept rotor file is taken; or rotor: the path of
    a rotor file, which is kept with the set. chart: the path of a chart, kept likewise; None takes
    the one kept for the design, if there is one and `with_chart`. robust, progress: of
    `adapt.learn`.

    Learning happens before anything is written; what others add meanwhile is not in the set.
    Raises BadInput for a label that cannot be one, and for whatever cannot be read; CannotBeMet
    when the label is taken or there is nothing to learn; nothing is then changed.
    """
    require_new_label(book, label)
    if (design is None) == (rotor is None):
        raise BadInput("found a design and a rotor file, or neither; expected one of them")
    with book.reading() as connection:
        known = latest(connection)
        source = _source(book, connection, known, design, rotor, chart, with_chart)
        log = log_at(book, connection, known)
    learned = learn(
        source.rotor, check(source.rotor, log), source.chart, progress=progress, robust=robust
    )
    if not learned.taught and source.chart is None:
        raise CannotBeMet(
            f"{book.shown} holds no pair of runs of {shown(source.rotor.name)} that teaches "
            "anything, and there is no chart to start from: nothing was published"
        )
    content = coefficients_content(learned)
    with writing(book, who, "publish", note) as change:
        _require_free(change.connection, label)
        kept_rotor, _ = kept_in(change, ROTOR_FILE, source.rotor.name, *source.rotor_document)
        kept_chart = None
        if source.chart_document is not None:
            kept_chart, _ = kept_in(change, CHART, source.rotor.name, *source.chart_document)
        change.add(
            "sets",
            label=label,
            design=source.rotor.name,
            known=known,
            rotor=kept_rotor,
            chart=kept_chart,
            settings=json.dumps({"robust": robust}, sort_keys=True),
            programs=json.dumps(programs_now(), sort_keys=True),
            digest=digest_of_content(content),
            content=content,
        )
    with book.reading() as connection:
        return set_of(book, connection, label)


def require_new_label(book: Logbook, label: str) -> None:
    """Raise BadInput for a label that cannot be one, CannotBeMet where a set has it already."""
    _require_label(label)
    with book.reading() as connection:
        _require_free(connection, label)


def _source(
    book: Logbook,
    connection: Connection,
    known: int,
    design: str | None,
    rotor: str | PathLike[str] | None,
    chart: str | PathLike[str] | None,
    with_chart: bool,
) -> _From:
    """Return what to learn with."""
    if design is not None:
        found, document = latest_rotor_file(book, connection, known, design)
        _, content = document_of(book, connection, document.number)
        file = document.file
    else:
        assert rotor is not None
        content, file = file_content(rotor, "a rotor file")
        # By the name that is kept, so that no folder of somebody's machine is published.
        found = replace(rotor_in(content, str(rotor)), source=file)
    if chart is not None:
        given, name = file_content(chart, "a chart")
        read = replace(chart_of(given, name, found, str(chart)), source=name)
        return _From(found, (file, content), read, (name, given))
    kept = latest_chart(book, connection, known, found) if with_chart else None
    if kept is None:
        return _From(found, (file, content), None, None)
    _, bytes_ = document_of(book, connection, kept[1].number)
    return _From(found, (file, content), kept[0], (kept[1].file, bytes_))


def _require_label(label: str) -> None:
    if not label.strip() or label != label.strip() or not label.isprintable():
        raise BadInput(f"name: found {shown(label)}; expected a name for the set, such as 2026-05")
    if len(label) > LONGEST_LABEL:
        raise BadInput(f"name: found {len(label)} characters; expected at most {LONGEST_LABEL}")


def _require_free(connection: Connection, label: str) -> None:
    taken = {folded(s): s for (s,) in connection.execute(select(sets.c.label))}
    if folded(label) in taken:
        raise CannotBeMet(
            f"there is a set {shown(taken[folded(label)])} already: what was published never "
            "changes. Give the new one another name"
        )
