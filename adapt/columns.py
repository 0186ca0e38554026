"""What the columns of a table say in the words of a rotor file: names, phases, units, duplicates.

Each function notes what is wrong in `Findings`. Which columns a table needs is its reader's
business.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.findings import Findings, Mask
from adapt.phasor import CLOCK_EXPECTED, ClockError, canonical_unit, clock_to_deg
from adapt.problems import one_of, shown
from adapt.tables import Table

__all__ = [
    "check_plain_units",
    "check_units",
    "first_of",
    "known_positions",
    "peaks",
    "phases",
    "same_unit",
    "without_duplicates",
]

MOST_PHASE_DEG = 720.0
SAME_PHASE_DEG = 0.5  # a clock angle is rounded to half a degree

_PLAIN = {
    "phase_deg": ("deg", "°", "degrees", "degree"),
    "clock": ("h:mm", "hh:mm", "h", "clock", "hours"),
    "wind_kt": ("kt", "kts", "kn", "knots"),
    "oat_c": ("c", "°c", "degc", "celsius"),
    "rpm": ("rpm", "1/min"),
}


def first_of(keys: npt.NDArray[np.integer]) -> npt.NDArray[np.intp]:
    """Return for each row the position of the first row with the same key, shape (row,)."""
    _, first, back = np.unique(keys, return_index=True, return_inverse=True)
    positions: npt.NDArray[np.intp] = first[back] if len(keys) else np.zeros(0, dtype=np.intp)
    return positions


def known_positions(
    table: Table,
    column: str,
    known: Sequence[str],
    what: str,
    findings: Findings,
    among: Any = None,
) -> npt.NDArray[np.intp]:
    """Return the position of each row's name in `known`, -1 (and a fault) where it is not there.

    among: the rows that are asked; the others get -1 without a fault.
    """
    place = {name: i for i, name in enumerate(known)}
    cells = table.column(column)
    positions: npt.NDArray[np.intp] = cells.each(lambda text: place.get(text, -1), np.intp)
    asked = np.ones(len(table), dtype=bool) if among is None else among

    @cache
    def words(name: str) -> str:
        return one_of(what, name, known)

    unknown = asked & (positions < 0)
    findings.fault(table, unknown, column, lambda i: words(cells.texts[cells.codes[i]]))
    return np.where(asked, positions, -1)


def phases(
    table: Table, among: Mask, findings: Findings, prefix: str = ""
) -> tuple[npt.NDArray[np.float64], Mask]:
    """Return the phase [deg] of each row from `clock` or `phase_deg`, NaN where the row has none.

    Also returns which rows have a fault in them. Only the rows of `among` are read. prefix: what
    stands before both column names.
    """
    clock_column, degrees_column = f"{prefix}clock", f"{prefix}phase_deg"
    cells = table.column(clock_column)

    def read(text: str) -> float:
        if not text:
            return np.nan
        # A time that a spreadsheet wrote as a fraction of a day has the decimal sign of its file.
        if table.decimal_comma:
            text = text.replace(",", ".")
        try:
            return clock_to_deg(text)
        except ClockError:
            return np.inf

    clock = np.where(among, cells.each(read, np.float64), np.nan)
    wrong = np.isinf(clock)
    findings.fault(table, wrong, clock_column, CLOCK_EXPECTED)
    degrees, bad = table.numbers(degrees_column)
    bad = among & (bad | (np.abs(degrees) > MOST_PHASE_DEG))
    findings.fault(
        table, bad, degrees_column, f"degrees from -{MOST_PHASE_DEG:g} to {MOST_PHASE_DEG:g}"
    )
    both = among & ~wrong & ~bad & ~np.isnan(clock) & ~np.isnan(degrees)
    apart = np.zeros(len(table))
    apart[both] = np.abs((clock[both] - degrees[both] + 180.0) % 360.0 - 180.0)
    differ = apart > SAME_PHASE_DEG + 1e-9
    findings.fault(
        table, differ, degrees_column, lambda i: f"the same phase as the clock, {clock[i]:g} deg"
    )
    # Degrees come first: clock angles are rounded to half a degree.
    phase = np.where(np.isnan(degrees), clock, degrees)
    return np.where(np.isfinite(phase), phase, np.nan) % 360.0, wrong | bad | differ


def peaks(
    table: Table, among: Mask, findings: Findings
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], Mask]:
    """Return amplitude and phase [deg] of each row, (row,), and which rows of `among` are right.

    A phase is NaN where none is given, which only an amplitude of 0 may lack. Columns: amplitude,
    and clock or phase_deg.
    """
    amplitude, bad = table.numbers("amplitude")
    bad = among & (bad | ~(amplitude >= 0))
    findings.fault(table, bad, "amplitude", "a number of at least 0 (the peak)")
    phase, bad_phase = phases(table, among, findings)
    lacking = among & ~bad & ~bad_phase & (amplitude > 0) & np.isnan(phase)
    expected = "a clock angle or phase_deg beside this amplitude"
    findings.fault(table, lacking, "clock", expected, found="no phase")
    return amplitude, phase, among & ~bad & ~bad_phase & ~lacking


def without_duplicates(
    table: Table, key: Any, clean: Mask, column: str, expected: str, findings: Findings
) -> Mask:
    """Return `clean` without the later rows of the same key, which are faults."""
    at = np.flatnonzero(clean)
    first = at[first_of(key[at])] if len(at) else at
    again = at != first
    rows = dict(zip(at[again].tolist(), first[again].tolist(), strict=True))
    findings.fault(
        table, at[again], column, lambda i: f"{expected} (row {table.rows[rows[int(i)]]} has it)"
    )
    result = clean.copy()
    result[at[again]] = False
    return result


def same_unit(text: str, unit: str) -> bool:
    """Return whether a unit as written means the unit that is wanted."""
    plain = "".join(text.split()).casefold()
    wanted = canonical_unit(unit)
    return plain == "".join(unit.split()).casefold() or (
        wanted is not None and canonical_unit(text) == wanted
    )


def check_units(
    table: Table, columns: tuple[str, ...], units: np.ndarray, of_what: str, findings: Findings
) -> None:
    """Refuse the file where it names another unit than the rotor file.

    columns: those whose header may carry the unit. units: the unit of each row by the rotor file,
    shape (row,), "" where the row names nothing known.
    """
    different = sorted({u for u in units if u})
    for column in columns:
        said = table.columns[column].unit if column in table else None
        for unit in different:
            if said is not None and not same_unit(said, unit):
                first = int(np.flatnonzero(units == unit)[0])
                findings.refuse(
                    table,
                    [first],
                    column,
                    f"{unit}, the unit of this {of_what} in the rotor file",
                    found=f"the unit {shown(said)} in the header",
                    jobs=False,
                )
    if "unit" not in table:
        return
    cells = table.column("unit")
    seen = set()
    for i in np.flatnonzero(cells.each(bool, bool) & (units != "")):
        said, unit = cells.texts[cells.codes[i]], units[i]
        if (said, unit) in seen:
            continue
        seen.add((said, unit))
        if not same_unit(said, unit):
            count = int(np.sum((cells.text() == said) & (units == unit)))
            more = f" (in {count} rows)" if count > 1 else ""
            expected = f"{unit}, the unit of this {of_what} in the rotor file"
            found = f"the unit {shown(said)}{more}"
            findings.refuse(table, [int(i)], "unit", expected, found=found, jobs=False)


def check_plain_units(table: Table, findings: Findings) -> None:
    """Refuse the file where a column that has its unit in its name has another one."""
    for column, allowed in _PLAIN.items():
        said = table.columns[column].unit if column in table else None
        if said is not None and len(table) and "".join(said.split()).casefold() not in allowed:
            found = f"the unit {shown(said)} in the header"
            findings.refuse(table, [0], column, allowed[0], found=found, jobs=False)
