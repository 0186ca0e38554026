"""Learning a published set again, from the state and with the settings that made it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from adapt.coefficients.differing import Compared, compare_numbers
from adapt.database.opening import Logbook
from adapt.learning import learn
from adapt.log import check
from adapt.logbook.programs import changed_programs
from adapt.logbook.sets import PublishedSet, coefficients_of, set_of, source_of
from adapt.logbook.state import log_at

__all__ = ["TOLERANCE", "Recomputed", "recompute"]

TOLERANCE = 1e-9
"""The relative difference up to which numbers are called the same."""


@dataclass(frozen=True)
class Recomputed:
    """A set beside what learning again gives. programs: what has another version since."""

    published: PublishedSet
    compared: Compared
    programs: tuple[tuple[str, str, str], ...]


def recompute(
    book: Logbook, label: str, progress: Callable[[int, int], None] | None = None
) -> Recomputed:
    """Learn a set again and hold every number beside the stored one; nothing is changed.

    Raises BadInput where there is no such set, or it or a document of it is damaged.
    """
    with book.reading() as connection:
        published = set_of(book, connection, label)
        stored = coefficients_of(book, connection, published)
        rotor, chart = source_of(book, connection, published)
        log = log_at(book, connection, published.known)
    robust = bool(published.settings.get("robust", False))
    now = learn(rotor, check(rotor, log), chart, progress=progress, robust=robust)
    return Recomputed(
        published,
        compare_numbers(stored, now, TOLERANCE),
        tuple(changed_programs(published.programs)),
    )
