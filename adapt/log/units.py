"""Whether the units that a table names, in its header or in a column, are the rotor file's."""

from __future__ import annotations

import numpy as np

from adapt.log.findings import Findings
from adapt.phasor import canonical_unit
from adapt.problems import shown
from adapt.tables import Table

__all__ = ["check_plain_units", "check_units", "same_unit"]

_PLAIN = {
    "phase_deg": ("deg", "°", "degrees", "degree"),
    "clock": ("h:mm", "hh:mm", "h", "clock", "hours"),
    "wind_kt": ("kt", "kts", "kn", "knots"),
    "oat_c": ("c", "°c", "degc", "celsius"),
    "rpm": ("rpm", "1/min"),
}


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
    """Refuse the file where a column that has its unit in its name carries another in the header."""
    for column, allowed in _PLAIN.items():
        said = table.columns[column].unit if column in table else None
        if said is not None and len(table) and "".join(said.split()).casefold() not in allowed:
            found = f"the unit {shown(said)} in the header"
            findings.refuse(table, [0], column, allowed[0], found=found, jobs=False)
