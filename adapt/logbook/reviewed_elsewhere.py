"""Reviews of jobs that a plan does not read: do they change what taught its coefficients?

A plan with coefficients at hand needs the rotor of its job alone. But coefficients that a pair of
another rotor taught are not to be used when somebody has corrected or excluded that pair since.
"""

from __future__ import annotations

from sqlalchemy import Connection

from adapt.coefficients import Coefficients
from adapt.coefficients.reviewed import require_reviews
from adapt.database.opening import Logbook
from adapt.database.states import numbers_of, rows_in_force
from adapt.log import History, Log, check
from adapt.log_columns import NEEDED_COLUMNS
from adapt.rotor import Rotor

__all__ = ["require_reviews_elsewhere"]


def require_reviews_elsewhere(
    book: Logbook,
    connection: Connection,
    change: int,
    coefficients: Coefficients,
    rotor: Rotor,
    history: History,
) -> None:
    """Raise BadInput when reviews changed what taught coefficients, in jobs that were not read.

    history: what was read, of a state of the logbook after `change`. Reads the jobs that reviews
    name now or named when the coefficients were taught, and no others.
    """
    jobs = {str(row[0]) for row in coefficients.origin.get("reviewed", [])}
    for name in ("reviews", "corrections"):
        jobs.update(rows_in_force(book, connection, name, change).column("job").texts)
    jobs -= {*history.runs["job"], *history.set_aside, ""}
    numbers = list(numbers_of(connection, jobs).values())
    if not numbers:
        return
    found = {n: rows_in_force(book, connection, n, change, numbers) for n in NEEDED_COLUMNS}
    tables = {n: table for n, table in found.items() if len(table) or n in ("runs", "readings")}
    if len(tables["runs"]):
        require_reviews(coefficients, check(rotor, Log(tables, (), book.shown)))
