"""A published set as it is planned with: what is to be known of it, and a rotor's newer pairs."""

from __future__ import annotations

from adapt.coefficients import Coefficients
from adapt.database.opening import Logbook
from adapt.learning import update
from adapt.log import History
from adapt.logbook.reviewed_elsewhere import require_reviews_elsewhere
from adapt.logbook.sets import coefficients_of, corrected_since, require_in_use, set_of
from adapt.problems import shown
from adapt.rotor import Rotor

__all__ = ["set_in_use", "with_newer_pairs"]

MOST_NAMED = 3


def set_in_use(book: Logbook, change: int, label: str, rotor: Rotor) -> tuple[Coefficients, str]:
    """Return a published set in the state after a change, and what it is in words.

    The words say what of it was corrected since, and whether it was withdrawn later than that
    state. Raises BadInput where there is no such set, or it is of another rotor file; CannotBeMet
    where it was withdrawn by then.
    """
    with book.reading() as connection:
        published = set_of(book, connection, label, change)
        require_in_use(published)
        since = set_of(book, connection, label).withdrawn
        stored = coefficients_of(book, connection, published, rotor)
        jobs = {job for job, _ in stored.taught}
        corrected = corrected_since(connection, published, jobs, change)
    words = (
        f"the published set {shown(published.label)[1:-1]} ({published.recorded[:10]}, learned "
        f"from the state after change {published.known})"
    )
    if corrected:
        named = ", ".join(shown(job)[1:-1] for job in corrected[:MOST_NAMED])
        more = f" and {len(corrected) - MOST_NAMED} more" if len(corrected) > MOST_NAMED else ""
        words += (
            f", entries of jobs that taught it CORRECTED since ({named}{more}: publish another)"
        )
    if since is not None:
        words += (
            f", WITHDRAWN since by {shown(since.who)[1:-1]} on {since.recorded[:10]}: "
            f"{shown(since.why)[1:-1]}"
        )
    return stored, words


def with_newer_pairs(
    book: Logbook, change: int, stored: Coefficients, rotor: Rotor, history: History
) -> Coefficients:
    """Return coefficients with the pairs of a history that did not teach them yet.

    history: of the rotors that are read, in the state after the change. Raises BadInput where a
    review, also of a job that is not in it, has changed since what taught the coefficients.
    """
    with book.reading() as connection:
        require_reviews_elsewhere(book, connection, change, stored, rotor, history)
    return update(stored, rotor, history)
