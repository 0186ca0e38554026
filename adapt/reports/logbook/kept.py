"""A logbook that was looked through, copied, brought back, or made ready for this version."""

from __future__ import annotations

import shlex
from typing import Any

from adapt.database.verifying import Verified
from adapt.reports.layout import Block, Bullets, Commands, Heading, Line
from adapt.reports.wording import count

__all__ = [
    "backed_up_report", "far", "restored_report", "upgraded_report", "verified_document",
    "verified_report",
]  # fmt: skip

_MOST_LISTED = 30


def far(done: int, of: int) -> str:
    """Return how far a copy is. of: 0 where that is not known.

    >>> far(50, 200), far(2000, 0)
    ('25 %', '2,000 rows')
    """
    return f"{100 * done // of} %" if of else f"{done:,} rows"


def verified_document(found: Verified) -> dict[str, Any]:
    """Return the document of what looking through a logbook found."""
    return {
        "whole": found.whole,
        "changes": found.changes,
        "rows": found.rows,
        "whole_changes": found.whole_changes,
        "whole_until": found.whole_until,
        "damages": [{"change": d.change, "table": d.table, "what": d.what} for d in found.damages],
        "damage_count": found.damage_count,
        "digest": found.digest,
    }


def verified_report(found: Verified, book: str) -> list[Block]:
    """Return whether a logbook is whole; if not, what is damaged, what is whole, what to do."""
    report: list[Block] = [Heading(f"{book}, looked through", level=1)]
    if found.whole:
        return [*report, Line(f"Whole: {_held(found)}, each as it was put in.", "good"),
                *_digest(found)]  # fmt: skip
    report += [
        Line(f"DAMAGED: {count(found.damage_count, 'finding')}.", "bad"),
        Bullets(tuple(str(d) for d in found.damages[:_MOST_LISTED])),
    ]
    if found.damage_count > _MOST_LISTED:
        report.append(Line(f"... and {found.damage_count - _MOST_LISTED} more."))
    return [*report, *_whole_part(found), *_what_to_do(found, book)]


def _whole_part(found: Verified) -> list[Block]:
    if not found.changes:
        return [Line("Nothing of it could be read.")]
    until = f"; up to change {found.whole_until} all are" if found.whole_until else ""
    return [Line(f"Of {found.changes} changes {found.whole_changes} are whole{until}.")]


def _what_to_do(found: Verified, book: str) -> list[Block]:
    name = shlex.quote(book)
    steps: list[Block] = [
        Line(
            "Do not plan or learn from it. Keep it as it is, with the files beside it that end in "
            "-wal and -shm; have the disk looked at. Then go on from the latest back-up, and "
            "import again what came after it: what is there already is not kept twice."
        ),
        Commands((f"adapt logbook restore BACKUP {name}-restored",)),
    ]
    if found.whole_until:
        steps += [
            Line("Without a back-up, what was known before the damage can be written out:"),
            Commands(
                (
                    f"adapt logbook export {name} before-the-damage --as-known-on "
                    f"'change {found.whole_until}'",
                )
            ),
        ]
    return steps


def backed_up_report(made: Verified, book: str, file: str) -> list[Block]:
    """Return what a back-up holds."""
    return [
        Heading(f"{file}, a back-up of {book}", level=1),
        Line(f"It holds {_held(made)}. It was looked through and is whole.", "good"),
        *_digest(made),
        Line(
            "It is a logbook of its own, and can be read as one. Keep it on another disk, in "
            "another building; try now and then whether it can be brought back:"
        ),
        Commands((f"adapt logbook restore {shlex.quote(file)} trial.logbook",)),
    ]


def restored_report(made: Verified, file: str, place: str) -> list[Block]:
    """Return what was brought back."""
    return [
        Heading(f"{place}, brought back from {file}", level=1),
        Line(f"It holds {_held(made)}. It was looked through and is whole.", "good"),
        *_digest(made),
        Line(
            "What was put into the logbook after the back-up was made is not in it: import it "
            "again (what is there already is not kept twice), and close again the jobs that were "
            "closed since."
        ),
    ]


def upgraded_report(place: str, before: str, now: str) -> list[Block]:
    """Return what became of the schema."""
    if before == now:
        said = f"Nothing to do: its schema is {now}, the one that this version works with."
    else:
        said = (
            f"Its schema went from {before} to {now}. Nothing of what it holds has changed; "
            "earlier versions of this program can no longer open it."
        )
    return [Heading(f"Logbook {place}", level=1), Line(said)]


def _held(found: Verified) -> str:
    rows = f"{found.rows:,} row{'' if found.rows == 1 else 's'}"
    return f"{count(found.changes, 'change')}, {rows}"


def _digest(found: Verified) -> list[Block]:
    if not found.digest:
        return []
    return [
        Line(
            f"Seal of the last change: {found.digest}. Two logbooks with one seal hold the same; "
            "written down elsewhere it shows whether the end of one is missing."
        )
    ]
