"""Whether stated intervals and chances held."""

from __future__ import annotations

import math
from collections.abc import Callable

from adapt.outcomes.calibration import Brier
from adapt.outcomes.outcome import Outcome
from adapt.outcomes.scores import EXPERIENCE
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.records import Record, records
from adapt.reports.wording import number, share, share_between

__all__ = ["held"]

Rows = list[tuple[str, ...]]

_OF = {"vibration": "Vibration", "track": "Track", "run": "The run as a whole"}


def held(outcome: Outcome) -> list[Block]:
    """Return coverage by experience and reliability by stated chance, with the Brier score."""
    return [*_coverage(outcome), *_reliability(outcome), *_by_experience(outcome)]


def _by_part(rows_of: Callable[[str], Rows], columns: int) -> Rows:
    """Return the rows of vibration, track and whole runs, each under its title; none if empty."""
    cells: Rows = []
    for of, word in _OF.items():
        if rows := rows_of(of):
            cells += [(word, *[""] * (columns - 1)), *rows]
    return cells


def _coverage(outcome: Outcome) -> list[Block]:
    rows = records(outcome.coverage)
    levels = sorted({r["level"] for r in rows})
    titles = ["By earlier pairs: inside", ">Readings", *(f">{100 * v:.0f} %" for v in levels)]

    def of_part(of: str) -> Rows:
        told: Rows = []
        for experience in (None, *EXPERIENCE):
            some = {r["level"]: r for r in rows if r["of"] == of and r["experience"] == experience}
            if some:
                shares = (
                    share_between(some[v]["share"], some[v]["low"], some[v]["high"])
                    if v == 0.95
                    else share(some[v]["share"])
                    for v in levels
                )
                name = "  all" if experience is None else f"  {experience} earlier"
                told.append((name, f"{some[levels[0]]['readings']}", *shares))
        return told

    cells = _by_part(of_part, len(titles))
    return [Heading("Do stated intervals hold?"), table(titles, cells)] if cells else []


def _reliability(outcome: Outcome) -> list[Block]:
    rows = records(outcome.reliability)
    titles = ["Stated chance of being inside", ">Number", ">Jobs", ">Mean stated", ">Came inside"]

    def of_part(of: str) -> Rows:
        return [
            (f"  {100 * r['stated_from']:.0f} to {100 * r['stated_to']:.0f} %", *_stated(r))
            for r in rows
            if r["of"] == of
        ]

    cells = _by_part(of_part, len(titles))
    if not cells:
        return []
    lines = [
        Line(
            f"Brier score, {_OF[of].lower()}: {number(score.score, 3)}{_between(score)}; "
            f"{number(score.if_right, 3)} would be usual if every chance were right, and "
            f"{number(score.uncertainty, 3)} for who only knows how often it comes true."
        )
        for of, score in outcome.brier.items()
    ]
    return [Heading("Do stated chances hold?"), table(titles, cells), *lines]


def _between(score: Brier) -> str:
    """Return the interval of a score in brackets; nothing where jobs are too few for one."""
    if math.isnan(score.low):
        return ""
    return f" ({number(score.low, 3)} to {number(score.high, 3)})"


def _by_experience(outcome: Outcome) -> list[Block]:
    rows = {(r["of"], r["experience"]): r for r in records(outcome.by_experience)}
    titles = [">Number", ">Jobs", ">Mean stated", ">Came inside", ">Brier", ">If right"]

    def of_part(of: str) -> Rows:
        return [
            (f"  {experience} earlier", *_stated(r), f"{r['brier']:.3f}", f"{r['if_right']:.3f}")
            for experience in EXPERIENCE
            if (r := rows.get((of, experience))) is not None
        ]

    cells = _by_part(of_part, len(titles) + 1)
    if not cells:
        return []
    return [Heading("Chances by the rotor's experience"), table(["Earlier pairs", *titles], cells)]


def _stated(row: Record) -> tuple[str, ...]:
    """Return how many chances were stated, in how many jobs, their mean, and what came true."""
    return (
        f"{row['number']}",
        f"{row['jobs']}",
        share(row["stated"]),
        share_between(row["came_true"], row["low"], row["high"]),
    )
