"""Writing decisions about suspect entries down beside the log, and taking them back.

How it is done in a folder; in a logbook it is `reviewing_book`'s work.

A decision is one row of `reviews.csv`; what it changes are rows of `corrections.csv`. The tables of
the log itself are never written. A decision is in force from the moment in which its row stands in
the reviews: corrections are written before it and taken away after it, each file whole or not at
all, so that whatever stops the writing leaves the log as it was before or as it is after. What is
taken back leaves no trace here; who wants one keeps the folder under version control.

Two people: a lock file in the log's folder lets one write at a time, and a decision is refused when
others were made on its job since the log was read.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from os import PathLike
from pathlib import Path

from adapt.database.place import is_logbook
from adapt.files import write_whole
from adapt.log.checking import check
from adapt.log.decided_rows import (
    CORRECTIONS,
    REVIEWS,
    Row,
    correction_rows,
    next_number,
    refuse_overtaken,
    review_row,
)
from adapt.log.deciding import Decision
from adapt.log.history import History
from adapt.log.rows import decoded, with_rows, without_rows
from adapt.problems import AdaptError, CannotBeMet, shown
from adapt.rotor import Rotor
from adapt.tables import read_table

__all__ = ["LOCK", "record", "take_back"]

LOCK = ".reviews.lock"
PATIENCE_S = 5.0
_NUMBERS = ("entered", "entered_phase_deg", "corrected", "corrected_phase_deg")


def record(
    rotor: Rotor,
    log: str | PathLike[str],
    history: History,
    decision: Decision,
    decided: datetime,
    by: str = "",
    note: str = "",
) -> tuple[str, History]:
    """Write a decision down; return its number, one more than the highest, and the log as it is.

    log: the folder of the log, or a logbook; history: as checked when the decision was made.
    decided: when. by: who decides, which a logbook must know.

    Raises CannotBeMet, with nothing written, when the log is no folder of CSV files, was edited or
    has other decisions on the job since, somebody else is writing, or a spreadsheet program has the
    tables open; AdaptError when a file cannot be written.
    """
    if is_logbook(log):
        from adapt.log.reviewing_book import record_in_book

        return record_in_book(rotor, log, history, decision, decided, by, note)
    folder = _folder(log)
    with _alone(folder):
        before = {name: _text(folder, name) for name in ("corrections", "reviews")}
        made = _rows_of(folder, "reviews")
        refuse_overtaken(made, history, decision.job)
        names = [row["review"] for row in (*made, *_rows_of(folder, "corrections"))]
        number = next_number(names)
        row = review_row(number, decision, decided, by, note)
        after = dict(before)
        after["reviews"] = with_rows(before["reviews"] or "", "reviews.csv", REVIEWS, [row])
        changes = correction_rows(number, decision)
        if changes:
            after["corrections"] = with_rows(
                before["corrections"] or "", "corrections.csv", CORRECTIONS, changes, _NUMBERS
            )
        try:
            for name, text in after.items():
                if text != before[name]:
                    _write(folder, name, text)
            now = check(rotor, folder)
            if number not in set(now.reviews["review"]):
                raise CannotBeMet(
                    f"the log of {decision.job} was edited meanwhile and does not fit the decision "
                    "any more: nothing was written; look again"
                )
        except BaseException:
            for name in reversed(after):
                if _text(folder, name) != before[name]:
                    _write(folder, name, before[name])
            raise
    return number, now


def take_back(log: str | PathLike[str], job: str, run: str, by: str = "") -> Row:
    """Take the latest decision on a job's run back and return its row as it stood.

    Its rows leave both tables, and the folder is as it was before the decision: a table that this
    leaves without rows goes too. What was decided before on the same run stands again. In a logbook
    they leave the state, and the record keeps them; by: who takes it back, which it must know.

    Raises CannotBeMet when there is none, and as `record` does.
    """
    if is_logbook(log):
        from adapt.log.reviewing_book import take_back_in_book

        return take_back_in_book(log, job, run, by)
    folder = _folder(log)
    with _alone(folder):
        rows = [r for r in _rows_of(folder, "reviews") if (r["job"], r["run"]) == (job, run)]
        if not rows:
            raise CannotBeMet(f"nothing was decided on run {run} of {job}: nothing to take back")
        last = rows[-1]
        twins = [r for r in _rows_of(folder, "reviews") if r["review"] == last["review"]]
        if len(twins) > 1:
            raise CannotBeMet(
                f"review {shown(last['review'])[1:-1]} stands in reviews.csv more than once: give "
                "each its own number there first (and in corrections.csv)"
            )
        reviews, corrections = _text(folder, "reviews"), _text(folder, "corrections")
        _write(folder, "reviews", _without(reviews, REVIEWS, last["review"], job))
        if corrections is not None:
            rest = _without(corrections, CORRECTIONS, last["review"], job)
            if rest != corrections:
                _write(folder, "corrections", rest)
    return last


def _without(text: str | None, header: Sequence[str], review: str, job: str) -> str | None:
    """Return a table without the rows of one review; None when nothing is left but our header."""
    rest = without_rows(
        text or "", lambda row: (row.get("review"), row.get("job")) == (review, job)
    )
    return None if rest.strip() == ",".join(header) else rest


def _folder(log: str | PathLike[str]) -> Path:
    folder = Path(log)
    if not folder.is_dir():
        raise CannotBeMet(
            f"{str(log)!r} is no folder: decisions are written as CSV files beside the log's "
            "tables. Save its sheets as CSV files in a folder, or enter the decision by hand in "
            "sheets reviews and corrections (docs/files.md)"
        )
    for name in ("reviews", "corrections"):
        for file in folder.iterdir():
            if file.stem.casefold() == name and file.suffix.lower() == ".xlsx":
                raise CannotBeMet(
                    f"{file.name} is a workbook: save it as {name}.csv, or enter the decision in "
                    "it by hand (docs/files.md)"
                )
            if file.name.casefold() == f".~lock.{name}.csv#":  # LibreOffice's, from memory
                raise CannotBeMet(
                    f"{name}.csv is open in a spreadsheet program, which would write over the "
                    f"decision: close it first (or remove {file.name} if it is not)"
                )
    return folder


def _path(folder: Path, name: str) -> Path:
    """Return where a table stands, in whatever case its name is written."""
    for file in sorted(folder.iterdir()):
        if file.stem.casefold() == name and file.suffix.lower() == ".csv":
            return file
    return folder / f"{name}.csv"


def _text(folder: Path, name: str) -> str | None:
    path = _path(folder, name)
    return decoded(path.read_bytes(), path.name) if path.exists() else None


def _rows_of(folder: Path, name: str) -> list[dict[str, str]]:
    """Return the rows that a table has now, by column; none when it is not there."""
    path = _path(folder, name)
    if not path.exists():
        return []
    table = read_table(path, file=path.name)
    columns = {c: table.text(c) for c in {*table.columns, "review", "job", "run", "by"}}
    rows = [{c: str(cells[i]) for c, cells in columns.items()} for i in range(len(table))]
    return rows


def _write(folder: Path, name: str, text: str | None) -> None:
    path = _path(folder, name)
    if text is not None:
        write_whole(path, text)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise AdaptError(f"{str(path)!r} cannot be removed ({error.strerror})") from error


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the lock file of the folder; only who creates it may write.

    Raises CannotBeMet when somebody else holds it for long, AdaptError when it cannot be made.
    """
    lock = folder / LOCK
    patient_until = time.monotonic() + PATIENCE_S
    while True:
        try:
            handle = os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            break
        except FileExistsError:
            if time.monotonic() > patient_until:
                raise CannotBeMet(
                    f"somebody else is writing a decision into {str(folder)!r}. Try again; if "
                    f"nobody is (a program that was killed), remove {LOCK} there"
                ) from None
            time.sleep(0.05)
        except OSError as error:
            raise AdaptError(
                f"{str(folder)!r} cannot be written ({error.strerror}); nothing was changed"
            ) from error
    try:
        os.close(handle)
        yield
    finally:
        lock.unlink(missing_ok=True)
