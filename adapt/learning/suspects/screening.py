"""Fitting with suspect entries held back: learn, look for suspects, learn again without them.

A suspect pair teaches nothing until somebody has looked at it; nothing in the log is changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.learning.fitting.learner import Fitted, fit
from adapt.learning.robust.reweighting import fit_robust
from adapt.learning.rows.runs import Runs
from adapt.learning.rows.weights import EVEN, Weight
from adapt.learning.suspects import Suspect, suspect_rows
from adapt.learning.suspects.looking import Looked, look, look_again
from adapt.rotor import Rotor

__all__ = ["Screened", "fit_screened"]

Progress = Callable[[int, int], None]

ROUNDS = 4  # of learning and looking, at most
SLIGHT = 0.001  # of the pairs: when fewer are held back otherwise than before, that is the end


@dataclass(frozen=True, eq=False)
class Screened:
    """Coefficients without the suspect pairs, the suspects, and the runs cut where they stand.

    weight: how much single runs' vibration counted. fitted: the last fit, for another one to start
    from.
    """

    coefficients: Coefficients
    suspects: tuple[Suspect, ...]
    runs: Runs
    weight: Weight = EVEN.vibration
    fitted: Fitted | None = None

    def as_counted(self, runs: Runs) -> Runs:
        """Return runs of the same log as they counted, for what is taken off coefficients again."""
        return runs.counting(self.weight.reading, self.weight.step)


def fit_screened(
    rotor: Rotor,
    runs: Runs,
    chart: Chart | None = None,
    progress: Progress | None = None,
    source: str = "",
    held: frozenset[tuple[str, str]] = frozenset(),
    start: Fitted | None = None,
    robust: bool = False,
    rounds: int = ROUNDS,
) -> Screened:
    """Learn from runs and hold back the pairs that are probably not as entered.

    Learning and looking take turns until the same pairs are held back twice (all but a few in a
    large log), or `rounds` times: what a wrong pair does to noise and coefficients hides others at
    first. held: pairs to begin with, from an earlier look; they are looked at like all others.
    start: what was learned from nearly the same runs. robust: rough runs and gusts count less.
    """
    learned_from = fit_robust if robust else fit
    steps = frozenset(step for step, pair in enumerate(runs.pair) if pair in held)
    cut = _cut(runs, steps)
    fitted = learned_from(rotor, cut, chart, progress, source, start)
    slight = SLIGHT * float((~runs.starts).sum())
    looked: Looked | None = None
    then = fitted[0]
    for _ in range(rounds):
        if looked is None:
            looked = look(rotor, runs, cut, fitted)
        else:
            looked = look_again(rotor, runs, cut, fitted, looked, then)
        then, before, steps = fitted[0], steps, looked.steps
        if steps == before:
            break
        cut = _cut(runs, steps)
        fitted = learned_from(rotor, cut, chart, None, source, fitted)
        if len(steps ^ before) <= slight:
            break
    suspects = looked.found if looked else []
    found = _screened(rotor, runs, cut, fitted[0], suspects)
    return replace(found, weight=fitted[1].weight, fitted=fitted)


def _screened(
    rotor: Rotor, runs: Runs, cut: Runs, coefficients: Coefficients, suspects: list[Suspect]
) -> Screened:
    """Put the coefficients and what was found together."""
    steps = sorted({step for suspect in suspects for step in suspect.steps})
    withheld = frozenset(pair for step in steps if (pair := runs.pair[step]) is not None)
    notes = coefficients.notes
    if withheld:
        pairs = "pair was" if len(withheld) == 1 else "pairs were"
        notes = (
            *notes,
            f"{len(withheld)} {pairs} held back as suspect entries: they teach nothing until "
            "somebody has looked at them",
        )
    rows = tuple(suspect_rows(rotor, runs, coefficients, suspects))
    coefficients = replace(coefficients, suspects=rows, withheld=withheld, notes=notes)
    return Screened(coefficients, tuple(suspects), cut)


def _cut(runs: Runs, steps: frozenset[int]) -> Runs:
    """Return the runs with their segments cut before these runs."""
    starts = runs.starts.copy()
    starts[sorted(steps)] = True
    return replace(runs, starts=starts)
