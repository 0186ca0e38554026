"""Text of rows with a separator (CSV): opened, taken apart into cells, and written.

What the cells mean is the business of `tables`.
"""

from __future__ import annotations

import contextlib
import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice
from os import PathLike
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pandas as pd

from adapt.files import write_whole
from adapt.problems import BadInput, Problem

__all__ = ["as_text", "opened", "records_of", "separator_of", "unusable", "write_csv"]

_NAMED_SEPARATOR = re.compile(r"sep=.", re.IGNORECASE)


@contextlib.contextmanager
def opened(source: Path, name: str) -> Iterator[BinaryIO]:
    """Open a file; raise BadInput when it cannot be opened or read."""
    try:
        handle = source.open("rb")
    except (OSError, ValueError) as error:
        raise _unreadable(name, error) from None
    with handle:
        try:
            yield handle
        except OSError as error:
            raise _unreadable(name, error) from None


def _unreadable(name: str, error: Exception) -> BadInput:
    reason = getattr(error, "strerror", None) or str(error)
    return unusable(name, f"no readable file ({reason})", "a CSV file or an .xlsx file")


@contextlib.contextmanager
def as_text(handle: BinaryIO, encoding: str, name: str) -> Iterator[io.TextIOWrapper]:
    """Read an open file from its start as text, and leave it open."""
    handle.seek(0)
    text = io.TextIOWrapper(handle, encoding, newline="")
    try:
        yield text
    except UnicodeError:
        found = "a file that changed while it was read"
        raise unusable(name, found, "a file that nobody writes to") from None
    finally:
        text.detach()


def records_of(
    lines: Iterator[str],
    name: str,
    most_rows: int | None = None,
    skip: int = 0,
    separator: str | None = None,
) -> tuple[Iterator[list[Sequence[str]]], str]:
    """Return the rows of a CSV text in parts of at most so many, and their separator.

    Lines that were skipped and a line that names the separator are blank rows.
    """
    skipped: list[Sequence[str]] = [[] for _ in islice(lines, skip)]
    head: list[str] = []
    for line in lines:
        head.append(line)
        if line.strip():
            break
    said = bool(head) and _NAMED_SEPARATOR.fullmatch(head[-1].strip("\r\n")) is not None
    if separator is None:
        separator, said = separator_of("".join(head))
    if said:
        head[-1] = "\n"
    reader = csv.reader(chain(head, lines), delimiter=separator, strict=True)

    def parts() -> Iterator[list[Sequence[str]]]:
        records, before = skipped, 0
        while True:
            try:
                # Tuples, because the garbage collector need not walk through them.
                records.extend(map(tuple, islice(reader, most_rows)))
            except csv.Error as error:
                row = before + len(records) + 1
                found = f"a row that cannot be parsed ({error})"
                expected = 'cells whose quotes are closed, and doubled ("") inside quoted text'
                raise unusable(name, found, expected, row) from None
            if not records:
                return
            before += len(records)
            yield records
            records = []

    return parts(), separator


def separator_of(text: str) -> tuple[str, bool]:
    """Return the separator of the header row, and whether a line "sep=;" stands before it."""
    first = text.lstrip().split("\n", 1)[0].split("\r", 1)[0]
    said = re.fullmatch(r"sep=([,;\t])", first, re.IGNORECASE)
    if said:
        return said[1], True
    plain = re.sub(r'"[^"]*"|\[[^\]]*\]|\([^)]*\)', "", first)
    return max(",;\t", key=plain.count), False


def unusable(file: str, found: str, expected: str, row: int | None = None) -> BadInput:
    """Return the error of a file that cannot be used as a whole."""
    return BadInput([Problem("fault", file, row, None, found, expected)])


def write_csv(
    path: str | PathLike[str], header: Sequence[str], rows: Iterable[Sequence[object]]
) -> None:
    """Write a table as CSV (commas, UTF-8), whole or not at all.

    Floats are written so that they read back exactly; None and NaN are empty cells. Raises
    AdaptError when the file cannot be written, or when a text could not be read back as it is.
    """
    lines = [_line(header), *(_line([_written(value) for value in row]) for row in rows)]
    write_whole(path, "".join(lines))


def _line(cells: Sequence[str]) -> str:
    # The module quotes only the line ends that it writes itself: both, in the longer one.
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue()[:-2] + "\n"


def _written(value: object) -> str:
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, float | np.floating):
        return "" if math.isnan(value) else repr(float(value))
    return str(value)
