"""The documents of a logbook: kept, listed, written out again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapt.logbook.documents import Document, Kept
from adapt.problems import shown
from adapt.reports.layout import Block, Heading, Line, table

__all__ = [
    "documents_document", "documents_report", "given_document", "given_report", "kept_document",
    "kept_report",
]  # fmt: skip


def kept_document(kept: Kept) -> dict[str, Any]:
    """Return the document of what was kept."""
    return {"added": kept.added, **_record(kept.document)}


def kept_report(kept: Kept) -> list[Block]:
    """Return what was kept, or that it was kept before."""
    one = kept.document
    what = f"{one.kind} of {_cell(one.label)} ({_cell(one.file)}, document {one.number})"
    if not kept.added:
        return [Line(f"Nothing new: the {what} is kept already, with these very bytes.")]
    return [Line(f"Kept: {what}, as change {one.change}. It is given back byte for byte.")]


def documents_document(found: Sequence[Document]) -> dict[str, Any]:
    """Return the document of all documents, oldest first."""
    return {"documents": [_record(one) for one in found]}


def documents_report(found: Sequence[Document], book: str) -> list[Block]:
    """Return one line for each document; the last of a kind and name is the one that is taken."""
    report: list[Block] = [Heading(f"Documents of {book}", level=1)]
    if not found:
        return [*report, Line("None.")]
    last = {(one.kind, one.label): one.number for one in found}
    rows = [
        (
            str(one.number),
            one.kind,
            _cell(one.label),
            _cell(one.file),
            str(one.size),
            one.recorded[:16].replace("T", " "),
            _cell(one.who),
            "yes" if last[one.kind, one.label] == one.number else "-",
        )
        for one in found
    ]
    titles = [">No.", "Kind", "Of", "File", ">Bytes", "Kept (UTC)", "By", "Latest"]
    return [*report, table(titles, rows)]


def given_document(
    what: str, label: str, path: str, size: int, digest: str, withdrawn: bool
) -> dict[str, Any]:
    """Return the document of what was written to a file."""
    return {
        "what": what,
        "name": label,
        "file": path,
        "bytes": size,
        "digest": digest,
        "withdrawn": withdrawn,
    }


def given_report(
    what: str, label: str, path: str, size: int, digest: str, withdrawn: bool
) -> list[Block]:
    """Return what was written to a file."""
    report: list[Block] = [
        Line(f"The {what} {_cell(label)}, {size} bytes as they are kept, written to {path}.")
    ]
    if withdrawn:
        report.append(Line("It was WITHDRAWN and is not to be used: a copy for the record.", "bad"))
    return report


def _record(one: Document) -> dict[str, Any]:
    return {
        "document": one.number,
        "kind": one.kind,
        "label": one.label,
        "file": one.file,
        "bytes": one.size,
        "digest": one.digest,
        "change": one.change,
        "recorded": one.recorded,
        "who": one.who,
    }


def _cell(text: str) -> str:
    return shown(text)[1:-1] if text else "-"
