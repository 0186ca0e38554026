"""A logbook's state written as the folder of CSV files that it could have come from.

Cells are written as they are kept, rows in the order in which they came: imported again they are
the same. The folder appears whole or not at all.
"""

from __future__ import annotations

import csv
import os
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np

from adapt.database.opening import Logbook
from adapt.database.states import headers_of, tables_in_force
from adapt.files import kept_back
from adapt.problems import AdaptError, BadInput, shown
from adapt.tables import Table

__all__ = ["Exported", "export"]

_ROWS = 50_000  # at a time
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Exported:
    """What was written: rows by table. like_formulas: cells that a spreadsheet might work out."""

    folder: Path
    change: int
    rows: Mapping[str, int]
    like_formulas: int


def export(
    book: Logbook, folder: str | PathLike[str], change: int, rotors: list[str] | None = None
) -> Exported:
    """Write the state after a change into a folder that is not there yet, or is empty.

    rotors: only the jobs of these serials. Raises BadInput when the folder holds something,
    AdaptError when it cannot be written.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise BadInput(
            f"{shown(str(folder))} holds something already; expected the name of a new folder, or "
            "an empty one"
        )
    with book.reading() as connection:
        tables = tables_in_force(book, connection, change, rotors)
        order = headers_of(connection, change)
    rows: dict[str, int] = {}
    formulas = 0
    place = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        place = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
        for name, table in tables.items():
            rows[name] = len(table)
            formulas += _write(place / f"{name}.csv", table, order.get(name, []))
        place.chmod(0o777 & ~kept_back())
        place.replace(target)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise AdaptError(
            f"{shown(str(folder))} cannot be written ({reason}): nothing was left there"
        ) from error
    finally:
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)
    return Exported(target, change, rows, formulas)


def _write(path: Path, table: Table, order: list[str]) -> int:
    """Write one table; return the number of its cells that look like formulas."""
    columns = [c for c in order if c in table]
    columns += [c for c in table.columns if c not in columns and any(table.columns[c].texts)]
    like = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for at in range(0, len(table), _ROWS):
            part = table.select(np.arange(at, min(at + _ROWS, len(table))))
            writer.writerows(zip(*(part.text(c) for c in columns), strict=True))
        file.flush()
        os.fsync(file.fileno())
    for name in columns:
        column = table.columns[name]
        bad = np.array([_like_formula(text) for text in column.texts], dtype=bool)
        like += int(bad[column.codes].sum())
    return like


def _like_formula(text: str) -> bool:
    """Return whether a spreadsheet might take a cell for a formula; a signed number is none."""
    if not text.startswith(_FORMULA):
        return False
    try:
        float(text)
    except ValueError:
        return True
    return False
