"""Walking forward through a log: what was known of a rotor when each of its jobs began.

Nothing from a job, or after it, is in what was known before it. The fleet's coefficients are
learned anew as the log grows; in between each rotor's own follow its runs one at a time. The walk
falls into stretches, one rotor between two learnings, which know all that they need: they can be
worked on anywhere, in any order.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.chart import Chart
from adapt.coefficients import Coefficients, Posterior
from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.sequential import Inputs, afresh, follow_job, inputs_of
from adapt.learning.suspects.screening import Screened
from adapt.learning.whole import Happened, learn_runs
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["EARLY_JOBS", "GROWN", "Known", "Stretch", "Walk"]

Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

GROWN = 1.35  # times the runs known before: then the fleet's coefficients are learned anew
MOVED = 1.1  # the same where a rotor's second job since its reference moved begins
LOOKS = 2  # for suspects at a time; what they hide is found the next time
EARLY_JOBS = 10  # after so many the early fit is made, and kept


@dataclass(frozen=True, eq=False)
class Known:
    """What was known of a rotor when one of its jobs began.

    coefficients: as last learned of the fleet; posterior: the rotor's own since, which `taught` is
    in; seen: (sensor,) the frames that it stands in.
    """

    serial: str
    coefficients: Coefficients
    posterior: Posterior
    seen: Whole
    taught: frozenset[tuple[str, str]]

    def in_frame(self, rotor: Rotor, epoch: Whole) -> Known:
        """Return the same after frame events: sensors that moved start again from the fleet.

        epoch: (sensor,) the frames that readings now stand in.
        """
        moved = np.asarray(epoch > self.seen)
        if not moved.any():
            return self
        posterior = afresh(self.posterior, self.coefficients.unseen, rotor, moved)
        return replace(self, posterior=posterior, seen=np.maximum(epoch, self.seen))

    def as_coefficients(self, rotor: Rotor) -> Coefficients:
        """Return the coefficients as they would have been at hand, this rotor's own alone."""
        frames = {self.serial: _by_sensor(rotor, self.seen)}
        return replace(
            self.coefficients,
            rotors={self.serial: self.posterior},
            taught=self.coefficients.taught | self.taught,
            origin={**self.coefficients.origin, "frames": frames},
        )


@dataclass(frozen=True, eq=False)
class Stretch:
    """One rotor between two learnings of the fleet: a task that stands alone.

    runs: the rotor's alone, in order; rank: (run,) how many runs of the log were started before.
    jobs: codes of the jobs that begin in this stretch, in time order; pairs: of moves, how many the
    rotor had made before each run, (run,). cut: how many runs of the log had been learned from.
    learned: what they gave; early: what the early fit gave, None while it is the same.
    """

    rotor: Rotor
    runs: Runs
    rank: Whole
    jobs: tuple[int, ...]
    cut: int
    learned: Coefficients
    early: Coefficients | None
    chart: Chart | None

    @cached_property
    def inputs(self) -> Inputs:
        """The runs as the recursions take them."""
        return inputs_of(self.rotor, self.runs)

    @property
    def pairs(self) -> Whole:
        """How many pairs with a move the rotor had before each run, (run,)."""
        ends = ~self.runs.starts & (self.runs.amounts != 0).any(axis=(1, 2))
        order = np.argsort(self.rank)
        before = np.empty(len(ends), dtype=np.int64)
        before[order] = np.cumsum(ends[order]) - ends[order]
        return before

    def known_before(self, job: int, early: bool = False) -> Known:
        """Return what was known when a job began; early: by the early fit, with nothing since."""
        runs, rotor = self.runs, self.rotor
        frozen = self.early if early else None
        coefficients = self.learned if frozen is None else frozen
        serial = runs.serials[0]
        frames = coefficients.origin.get("frames", {}).get(serial, {})
        seen = np.array([frames.get(s.name, 0) for s in rotor.sensors], dtype=np.int64)
        known = Known(serial, coefficients, coefficients.of(serial), seen, frozenset())
        first = int(self.rank[runs.job == job].min())
        since = (self.rank >= self.cut) & (self.rank < first) & (frozen is None)
        fresh = since & ~runs.starts
        for earlier in dict.fromkeys(runs.job[since].tolist()):
            members = np.flatnonzero((runs.job == earlier) & (self.rank < first))
            known = known.in_frame(rotor, runs.epoch[members].max(axis=0))
            posterior = follow_job(
                known.posterior, rotor, runs, self.inputs, members, fresh, coefficients.noise,
                known.seen,
            )  # fmt: skip
            pairs = {runs.pair[m] for m in members[fresh[members]].tolist()}
            taught = known.taught | {pair for pair in pairs if pair is not None}
            known = replace(known, posterior=posterior, taught=taught)
        return known


class Walk:
    """A log in the order of time, and what was learned of it again and again."""

    def __init__(
        self,
        rotor: Rotor,
        history: History,
        chart: Chart | None = None,
        grown: float = GROWN,
        early_jobs: int = EARLY_JOBS,
    ) -> None:
        """Prepare the walk.

        grown: the fleet's coefficients are learned anew at the start of a job before which so many
        times the runs of the last time are known. early_jobs: the early fit is what is known when
        so many jobs of the log have begun.
        """
        self._rotor, self._chart = rotor, chart
        self._runs = runs = runs_of(rotor, history)
        self._happened = Happened.of(rotor, runs, history)
        self._rank = _time_rank(runs)
        first = np.full(len(runs.jobs), np.iinfo(np.int64).max)
        np.minimum.at(first, runs.job, self._rank)
        present = np.unique(runs.job)
        self._jobs = present[np.argsort(first[present], kind="stable")]
        self._first = first
        self._early = int(first[self._jobs[early_jobs]]) if early_jobs < len(self._jobs) else None
        self._cuts = _cuts(first[self._jobs], self._frame_known(), grown, self._early)
        self._last: Screened | None = None

    @property
    def jobs(self) -> tuple[str, ...]:
        """The jobs in the order in which they began."""
        return tuple(self._runs.jobs[j] for j in self._jobs)

    @property
    def runs(self) -> Runs:
        """All runs, rotor by rotor."""
        return self._runs

    def stretches(self) -> Iterator[Stretch]:
        """Yield the stretches, learning between them; those of one learning by rotor."""
        runs, early = self._runs, None
        begins = self._first[self._jobs]
        of_job = np.searchsorted(self._cuts, begins, side="right") - 1
        rotor_of = np.zeros(len(runs.jobs), dtype=np.int64)
        rotor_of[runs.job] = runs.rotor
        for at, cut in enumerate(self._cuts.tolist()):
            learned = self._learn(cut)
            if self._early is not None and cut == self._early:
                early = learned
            here = self._jobs[of_job == at]
            for code in dict.fromkeys(rotor_of[here].tolist()):
                serial = runs.serials[code]
                own = runs.of_rotor(code)
                names = [runs.jobs[j] for j in here if rotor_of[j] == code]
                yield Stretch(
                    rotor=self._rotor,
                    runs=own,
                    rank=self._rank[runs.rotor == code],
                    jobs=tuple(own.jobs.index(name) for name in names),
                    cut=cut,
                    learned=_of_one(learned, serial),
                    early=None if early is None else _of_one(early, serial),
                    chart=self._chart,
                )

    def stretch_of(self, job: str) -> Stretch:
        """Return the stretch of one job alone, learned from all runs before it began.

        Raises KeyError where the job has no run.
        """
        runs = self._runs
        code = runs.jobs.index(job) if job in runs.jobs else -1
        members = np.flatnonzero(runs.job == code)
        if not len(members):
            raise KeyError(job)
        cut, rotor = int(self._first[code]), int(runs.rotor[members[0]])
        own = runs.of_rotor(rotor)
        return Stretch(
            rotor=self._rotor,
            runs=own,
            rank=self._rank[runs.rotor == rotor],
            jobs=(own.jobs.index(job),),
            cut=cut,
            learned=_of_one(self._learn(cut), runs.serials[rotor]),
            early=None,
            chart=self._chart,
        )

    def learn_all(self) -> Screened | None:
        """Learn from the whole log; None where it has no runs."""
        if not len(self._runs):
            return None
        self._learn(len(self._runs))
        return self._last

    def _learn(self, cut: int) -> Coefficients:
        """Learn from the first so many runs, starting from what was learned the last time."""
        earlier, last = self._rank < cut, self._last
        self._last = learn_runs(
            self._rotor,
            self._runs.only(earlier),
            self._happened.only(self._runs, earlier),
            self._chart,
            held=last.coefficients.withheld if last else frozenset(),
            start=last.fitted if last else None,
            rounds=LOOKS,
        )
        known = self._frames_of(earlier)
        coefficients = self._last.coefficients
        return replace(coefficients, origin={**coefficients.origin, "frames": known})

    def _frames_of(self, earlier: Truth) -> dict[str, dict[str, int]]:
        """Return the frames of each rotor's sensors in its last run so far, by serial."""
        runs = self._runs
        frames = {}
        for code in np.unique(runs.rotor[earlier]).tolist():
            epoch = runs.epoch[earlier & (runs.rotor == code)].max(axis=0)
            frames[runs.serials[code]] = _by_sensor(self._rotor, epoch)
        return frames

    def _frame_known(self) -> Truth:
        """Return which jobs are a rotor's second in a new frame: only then is its angle known.

        Shape (job,), in the order of `jobs`.
        """
        runs, found = self._runs, []
        last: dict[int, list[Whole]] = {}
        for job in self._jobs:
            members = np.flatnonzero(runs.job == job)
            code, epoch = int(runs.rotor[members[0]]), runs.epoch[members].max(axis=0)
            before = last.setdefault(code, [np.zeros_like(epoch)])
            found.append(len(before) > 1 and bool((before[-1] > before[-2]).any()))
            before.append(epoch)
        return np.array(found, dtype=bool)


def _of_one(coefficients: Coefficients, serial: str) -> Coefficients:
    """Return coefficients with one rotor's own alone, and without what is only told to people."""
    origin = coefficients.origin
    frames = origin.get("frames", {}).get(serial)
    return replace(
        coefficients,
        rotors={serial: coefficients.of(serial)},
        suspects=(),
        references=(),
        health=(),
        notes=(),
        origin={"frames": {} if frames is None else {serial: frames}},
    )


def _by_sensor(rotor: Rotor, epoch: Whole) -> dict[str, int]:
    return {s.name: int(n) for s, n in zip(rotor.sensors, epoch, strict=True)}


def _cuts(first: Whole, frame_known: Truth, grown: float, early: int | None) -> Whole:
    """Return how many runs are known each time that coefficients are learned anew, ascending.

    first: (job,), how many runs are known when each job starts, in that order; frame_known: (job,),
    True where a moved reference's angle can be known for the first time; early: learn there too.
    Each depends on what came before it alone.
    """
    cuts: list[int] = []
    for known, moved in zip(first.tolist(), frame_known.tolist(), strict=True):
        due = not cuts or known >= max((MOVED if moved else grown) * cuts[-1], cuts[-1] + 1)
        if due or (known == early and known > cuts[-1]):
            cuts.append(known)
    return np.array(cuts, dtype=np.int64)


def _time_rank(runs: Runs) -> Whole:
    """Rank of each run by when it was started; a run without a date stands with the one before."""
    times = pd.Series(runs.started).groupby(runs.rotor).ffill().bfill()
    order = np.lexsort((np.arange(len(runs)), times.to_numpy(dtype="datetime64[ns]")))
    rank = np.empty(len(runs), dtype=np.int64)
    rank[order] = np.arange(len(runs))
    return rank
