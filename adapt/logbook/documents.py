"""Rotor files, charts and column maps that are kept in a logbook, byte for byte.

A document is kept only when its own reader can read it. One of the same label does not replace the
one before: the latest of a state is taken, and what was taken before is still there.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Row, Select, func, select

from adapt.chart import Chart, read_chart
from adapt.database.opening import Logbook
from adapt.database.schema import changes, documents
from adapt.database.sealing import digest_of_content
from adapt.database.states import latest
from adapt.database.writing import Change, writing
from adapt.log_columns import folded
from adapt.logbook.maps import map_from
from adapt.problems import BadInput, Problem, one_of, shown
from adapt.rotor import Rotor, rotor_in
from adapt.sections import text_in

if TYPE_CHECKING:
    from adapt.logbook.maps import Map

__all__ = [
    "CHART", "COLUMN_MAP", "ROTOR_FILE", "Document", "Kept", "chart_of",
    "document_of", "documents_of", "file_content", "keep_chart", "keep_column_map",
    "keep_rotor_file", "kept_in", "kept_map", "kept_rotors", "latest_chart", "latest_document",
    "latest_rotor_file",
]  # fmt: skip

ROTOR_FILE, CHART, COLUMN_MAP = "rotor file", "chart", "column map"


@dataclass(frozen=True)
class Document:
    """A document of a logbook. label: by which it is asked for (a design, a map's name).

    file: the name of the file that it was. change: that brought it, recorded (UTC) by who.
    size: of its content in bytes. digest: of its content.
    """

    number: int
    kind: str
    label: str
    file: str
    digest: str
    size: int
    change: int
    recorded: str
    who: str


@dataclass(frozen=True)
class Kept:
    """A document that was to be kept. added: False where the same bytes were the latest already."""

    document: Document
    added: bool


def keep_rotor_file(book: Logbook, path: str | PathLike[str], who: str, note: str = "") -> Kept:
    """Keep a rotor file in a logbook that was opened to write; its label is its design.

    Raises BadInput, with nothing kept, when it cannot be read.
    """
    content, file = file_content(path, "a rotor file")
    return _keep(book, ROTOR_FILE, rotor_in(content, str(path)).name, file, content, who, note)


def keep_chart(
    book: Logbook, path: str | PathLike[str], design: str, who: str, note: str = ""
) -> Kept:
    """Keep the chart of a design whose rotor file is kept; it is read by that rotor file.

    Raises BadInput, with nothing kept, when it cannot be read or there is no such rotor file.
    """
    content, file = file_content(path, "a chart")
    with book.reading() as connection:
        rotor, _ = latest_rotor_file(book, connection, latest(connection), design)
    chart_of(content, file, rotor, str(path))
    return _keep(book, CHART, rotor.name, file, content, who, note)


def keep_column_map(book: Logbook, path: str | PathLike[str], who: str, note: str = "") -> Kept:
    """Keep a column map; its label is its own name. Raises BadInput when it cannot be read."""
    content, file = file_content(path, "a column map")
    read = map_from(text_in(content, Path(path)), str(path))
    return _keep(book, COLUMN_MAP, read.name, file, content, who, note)


def documents_of(connection: Connection, change: int) -> list[Document]:
    """Return all documents that a logbook held after a change, oldest first."""
    query = _listed().where(documents.c.change <= change).order_by(documents.c.document)
    return [_document(row) for row in connection.execute(query)]


def document_of(book: Logbook, connection: Connection, number: int) -> tuple[Document, bytes]:
    """Return a document and its content by its number. Raises BadInput where it is not there."""
    row = connection.execute(_listed().where(documents.c.document == number)).first()
    if row is None:
        raise BadInput(f"{book.shown}: there is no document {number}")
    return _with_content(book, connection, _document(row))


def latest_document(
    book: Logbook, connection: Connection, change: int, kind: str, label: str
) -> tuple[Document, bytes] | None:
    """Return the latest document of a kind and label after a change, and its content.

    Raises BadInput where its content is not what was kept.
    """
    query = _listed().where(
        documents.c.kind == kind, documents.c.label == label, documents.c.change <= change
    )
    row = connection.execute(query.order_by(documents.c.document.desc()).limit(1)).first()
    return None if row is None else _with_content(book, connection, _document(row))


def latest_rotor_file(
    book: Logbook, connection: Connection, change: int, design: str
) -> tuple[Rotor, Document]:
    """Return the rotor file of a design, as it was kept last by a change.

    design: without regard to case and blanks. Raises BadInput where none is kept.
    """
    query = select(documents.c.label).where(
        documents.c.kind == ROTOR_FILE, documents.c.change <= change
    )
    labels = [label for (label,) in connection.execute(query.distinct())]
    named = next((label for label in labels if folded(label) == folded(design)), None)
    found = None if named is None else latest_document(book, connection, change, ROTOR_FILE, named)
    if found is None:
        expected = one_of("a design whose rotor file is kept", design, labels)
        raise BadInput(
            f"design: found {shown(design)}; expected {expected}. 'adapt logbook keep' with "
            "--rotor keeps one"
        )
    document, content = found
    return rotor_in(content, document.file), document


def kept_rotors(book: Logbook, connection: Connection, change: int) -> list[Rotor]:
    """Return the rotor files of all designs, each as it was kept last by a change."""
    query = select(documents.c.label).where(
        documents.c.kind == ROTOR_FILE, documents.c.change <= change
    )
    designs = sorted({str(label) for (label,) in connection.execute(query)})
    return [latest_rotor_file(book, connection, change, design)[0] for design in designs]


def kept_map(book: Logbook, connection: Connection, name: str) -> Map:
    """Return the column map of a name, as it was kept last.

    Raises BadInput where none is.
    """
    from adapt.logbook.maps import map_from
    from adapt.sections import text_in

    found = latest_document(book, connection, latest(connection), COLUMN_MAP, name)
    if found is None:
        listed = documents_of(connection, latest(connection))
        names = [d.label for d in listed if d.kind == COLUMN_MAP]
        expected = one_of("a file, or a column map that is kept", name, dict.fromkeys(names))
        raise BadInput(f"column map: found {shown(name)}; expected {expected}")
    document, content = found
    file = document.file if document.file.lower().endswith(".toml") else f"{document.file}.toml"
    return map_from(text_in(content, Path(document.file)), file)


def latest_chart(
    book: Logbook, connection: Connection, change: int, rotor: Rotor
) -> tuple[Chart, Document] | None:
    """Return the chart of a design as it was kept last by a change, None where none is.

    Raises BadInput where it does not go with the rotor file.
    """
    found = latest_document(book, connection, change, CHART, rotor.name)
    if found is None:
        return None
    document, content = found
    return chart_of(content, document.file, rotor), document


def chart_of(content: bytes, file: str, rotor: Rotor, told_as: str | None = None) -> Chart:
    """Return the chart of a file's bytes; the suffix of its name says whether it is a workbook.

    told_as: how messages name the file. Raises BadInput with every problem found.
    """
    with tempfile.TemporaryDirectory(prefix="logbook-") as folder:
        place = Path(folder) / f"chart{'.xlsx' if file.lower().endswith('.xlsx') else '.csv'}"
        place.write_bytes(content)
        return read_chart(place, rotor, told_as or file)


def kept_in(change: Change, kind: str, label: str, file: str, content: bytes) -> tuple[int, bool]:
    """Keep a document within a change; return its number, and whether it was added."""
    digest = digest_of_content(content)
    query = select(documents.c.document, documents.c.digest, documents.c.file).where(
        documents.c.kind == kind, documents.c.label == label
    )
    last = change.connection.execute(query.order_by(documents.c.document.desc()).limit(1)).first()
    if last is not None and (last.digest, last.file) == (digest, file):
        return int(last.document), False
    number = change.add(
        "documents", kind=kind, label=label, file=file, digest=digest, content=content
    )
    return number, True


def file_content(path: str | PathLike[str], what: str) -> tuple[bytes, str]:
    """Return a file's bytes and its name without folders. Raises BadInput when it cannot be read.

    what: what the file is, as in "a chart".
    """
    source = Path(path)
    try:
        return source.read_bytes(), source.name
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        found = f"no readable file ({reason})"
        raise BadInput([Problem("fault", str(path), None, None, found, what)]) from None


class _AlreadyKept(Exception):  # noqa: N818
    """Ends a change of which nothing is kept."""


def _keep(
    book: Logbook, kind: str, label: str, file: str, content: bytes, who: str, note: str
) -> Kept:
    number = 0
    added = True
    try:
        with writing(book, who, "keep", note, file) as change:
            number, added = kept_in(change, kind, label, file, content)
            if not added:
                raise _AlreadyKept
    except _AlreadyKept:
        pass
    with book.reading() as connection:
        return Kept(document_of(book, connection, number)[0], added)


def _listed() -> Select[Any]:
    columns = (
        documents.c.document, documents.c.kind, documents.c.label, documents.c.file,
        documents.c.digest, func.length(documents.c.content), documents.c.change,
        changes.c.recorded, changes.c.who,
    )  # fmt: skip
    query: Select[Any] = select(*columns)
    return query.join(changes, changes.c.change == documents.c.change)


def _document(row: Row[Any]) -> Document:
    values: tuple[Any, ...] = tuple(row)
    number, kind, label, file, digest, size, change, recorded, who = values
    return Document(number, kind, label, file, digest, size, change, recorded, who)


def _with_content(
    book: Logbook, connection: Connection, document: Document
) -> tuple[Document, bytes]:
    """Return a document and its content. Raises BadInput where that is not what was kept."""
    query = select(documents.c.content).where(documents.c.document == document.number)
    content = bytes(connection.execute(query).scalar_one())
    if digest_of_content(content) != document.digest:
        raise BadInput(
            f"{book.shown}, documents: the {document.kind} {shown(document.label)} (document "
            f"{document.number}) is damaged: its bytes are not those that were kept. See what "
            "'adapt logbook verify' finds, and go on from the latest back-up"
        )
    return document, content
