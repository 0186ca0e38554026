"""A logbook as pages see it: its latest state, read once and kept while nothing changes.

Whether something changed is asked of the logbook each time; what was read of an earlier state is
given up then.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from threading import RLock
from typing import TypeVar

from adapt.chart import Chart
from adapt.database.opening import Logbook, open_logbook
from adapt.database.states import latest
from adapt.database.verifying import require_whole
from adapt.log import History, check
from adapt.log.jobs import runs_of_job
from adapt.log_columns import folded
from adapt.logbook.documents import kept_rotors, latest_chart
from adapt.logbook.jobs import Job, jobs_of
from adapt.logbook.ordering import Order, orders_of
from adapt.logbook.sets import PublishedSet, sets_of
from adapt.logbook.state import (
    documents_touched,
    in_words,
    log_at,
    recorded_on,
    serials_touched,
)
from adapt.problems import BadInput, shown
from adapt.rotor import Rotor

__all__ = ["Fleet", "State"]

_FEW_RUNS = 2_000  # that are read and checked in about a second

T = TypeVar("T")
_Key = tuple[str | None, ...]  # what was read, of what; for a rotor alone its serial is the last
_OF_DOCUMENTS = ("rotors", "chart", "sets", "of set")  # only documents and reviews change them
_OF_ROTORS = ("history", "standing")


class State:
    """One state of a logbook. change: the number of its last change; recorded: when that was made.

    What is asked for is read when it is asked for first. May be used by several threads at once.
    """

    def __init__(self, book: Logbook, change: int, recorded: str) -> None:
        """Begin one of which nothing was read yet."""
        self.book, self.change, self.recorded = book, change, recorded
        self._known: dict[_Key, object] = {}
        self._followed_from = change
        self._touched: dict[str, int] = {}
        self._one = RLock()

    def after(self, change: int, recorded: str) -> State:
        """Return a later state; what was read of rotors that nothing was added to is kept."""
        later = State(self.book, change, recorded)
        with self.book.reading() as connection:
            if documents_touched(connection, self.change, change):
                return later
            touched = serials_touched(connection, self.change, change)
        later._followed_from = self._followed_from
        later._touched = {**self._touched, **dict.fromkeys(touched, change)}
        with self._one:
            later._known = {
                key: value
                for key, value in self._known.items()
                if key[0] in _OF_DOCUMENTS
                or (key[0] in _OF_ROTORS and key[-1] is not None and key[-1] not in touched)
            }
        return later

    @property
    def words(self) -> str:
        """Which state this is, in words."""
        return in_words(self.book, self.change, self.recorded)

    def planned_as_of(self, job: Job) -> int:
        """Return a change from whose state a job is planned as from this one.

        With a published set only the rotor's own jobs count: what is entered for others makes no
        new plan. What all of the logbook teaches is another with each change.
        """
        if self.set_in_use(self.rotor_of(job)) is None:
            return self.change
        return max(self._followed_from, self._touched.get(job.rotor, 0))

    def rotors(self) -> Mapping[str, Rotor]:
        """Return the rotor files that are kept, by design."""

        def read() -> Mapping[str, Rotor]:
            with self.book.reading() as connection:
                return {r.name: r for r in kept_rotors(self.book, connection, self.change)}

        return self._once(("rotors",), read)

    def jobs(self) -> Mapping[str, Job]:
        """Return all jobs by name, in the order of their first runs."""
        return self._once(("jobs",), self._read_jobs)

    def _read_jobs(self) -> Mapping[str, Job]:
        return {job.job: job for job in jobs_of(self.book, change=self.change)}

    def job(self, name: str) -> Job:
        """Return a job. Raises BadInput where there is none of that name."""
        found = self.jobs().get(name)
        if found is None:
            raise BadInput(f"job: found {shown(name)}; expected a job of the logbook")
        return found

    def rotor_of(self, job: Job) -> Rotor:
        """Return the rotor file of a job's design.

        Raises BadInput where none is kept, or the job names no design and several are.
        """
        rotors = self.rotors()
        named = {folded(name): rotor for name, rotor in rotors.items()}
        if not job.design.strip() and len(rotors) == 1:
            return next(iter(rotors.values()))
        found = named.get(folded(job.design))
        if found is None:
            raise BadInput(
                f"no rotor file is kept for {shown(job.design)}, the design of job "
                f"{shown(job.job)[1:-1]}: 'adapt logbook keep {self.book.shown} --rotor FILE' "
                "keeps one"
            )
        return found

    def chart_of(self, rotor: Rotor) -> Chart | None:
        """Return the chart that is kept for a design, None where none is."""

        def read() -> Chart | None:
            with self.book.reading() as connection:
                found = latest_chart(self.book, connection, self.change, rotor)
            return None if found is None else found[0]

        return self._once(("chart", rotor.name), read)

    def sets(self, rotor: Rotor) -> list[PublishedSet]:
        """Return the sets that were published for a design, oldest first."""

        def read() -> list[PublishedSet]:
            with self.book.reading() as connection:
                every = sets_of(connection, self.change)
            return [s for s in every if folded(s.design) == folded(rotor.name)]

        return self._once(("sets", rotor.name), read)

    def set_in_use(self, rotor: Rotor) -> PublishedSet | None:
        """Return the latest set of a design that was not withdrawn, None where there is none."""
        return next((s for s in reversed(self.sets(rotor)) if s.withdrawn is None), None)

    def of_set(self, published: PublishedSet, read: Callable[[], T]) -> T:
        """Return what was made of a set before, or make it; a set never changes, its status may."""
        return self._once(("of set", str(published.number), str(published.withdrawn)), read)

    def history(self, rotor: Rotor, serial: str | None = None) -> History:
        """Return the log as checked for a design; serial: of this rotor alone.

        Raises BadInput where it cannot be read.
        """

        def read() -> History:
            with self.book.reading() as connection:
                self._once(("whole",), lambda: require_whole(self.book, connection))
                only = None if serial is None else [serial]
                log = log_at(self.book, connection, self.change, only)
            return check(rotor, log)

        return self._once(("history", rotor.name, serial), read)

    def orders(self, job: str) -> Mapping[str, Order]:
        """Return what was ordered in a job, by the run after which it was."""

        def read() -> Mapping[str, Order]:
            with self.book.reading() as connection:
                return orders_of(connection, self.change, job)

        return self._once(("orders", job), read)

    def standing(self, job: Job) -> Standing:
        """Return how a job stands after its last run; never raises for what is in the log."""

        def look() -> Standing:
            try:
                rotor = self.rotor_of(job)
                history = self.history(rotor, None if self._all_at_once() else job.rotor)
                runs_of_job(history, job.job)
            except BadInput as error:
                return Standing(None, None, str(error))
            from adapt.reports.job.values import JobRecord

            record = JobRecord(rotor, history, job.job, None, None, "", "", None, self.words)
            last = record.run_names[-1]
            over = record.over(last)
            worst = max((ratio for _, _, ratio in over), default=None)
            return Standing(len(over), worst, "")

        return self._once(("standing", job.job, job.rotor), look)

    def _all_at_once(self) -> bool:
        """Return whether the log is rather read as a whole than rotor by rotor.

        It is where no earlier state was read, unless it is large.
        """
        return not self._touched and sum(len(j.runs) for j in self.jobs().values()) <= _FEW_RUNS

    def _once(self, key: _Key, read: Callable[[], T]) -> T:
        """Return what was read before under a key, or read it; one thread at a time."""
        with self._one:
            if key not in self._known:
                self._known[key] = read()
            found: T = self._known[key]  # type: ignore[assignment]
            return found


@dataclass(frozen=True)
class Standing:
    """How a job stands: over how many limits, the worst ratio of them; or why that is not known."""

    over: int | None
    worst: float | None
    why_not: str


class Fleet:
    """A logbook that pages are shown of."""

    def __init__(self, place: str) -> None:
        """Open it. Raises BadInput where there is none, or it cannot be read."""
        self.place = place
        self._book = open_logbook(place)
        self._state: State | None = None
        self._one = RLock()

    @property
    def shown(self) -> str:
        """The address without a password."""
        return self._book.shown

    def to_write(self) -> Logbook:
        """Return the logbook opened to write. Raises AdaptError where it may not be written."""
        return open_logbook(self.place, to_write=True)

    def warm(self) -> None:
        """Read what the list of jobs shows, before somebody asks for it."""
        state = self.state()
        for job in state.jobs().values():
            state.standing(job)

    def state(self) -> State:
        """Return the logbook's state as it is now."""
        with self._book.reading() as connection:
            change = latest(connection)
            if self._state is not None and self._state.change == change:
                return self._state
            recorded = recorded_on(connection, change)
        with self._one:
            if self._state is None or change < self._state.change:
                self._state = State(self._book, change, recorded)
            elif change > self._state.change:
                self._state = self._state.after(change, recorded)
            return self._state
