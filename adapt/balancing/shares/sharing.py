"""The one verb: a correction shared over the holes that exist, in the pieces at hand.

Unknown is how many pieces of each kind each hole holds then. Two other ways were weighed. The
planner of `planning` counts moves, a move being any amount on one blade, so that it cannot count
washers, nor know a stock. A general mixed-integer solver takes it (HiGHS, the residual's disc by
tangents added until none is violated), and is quick where many pieces are needed; where the
tolerance is tight its bound on the residual stays at 0 until nearly every combination was tried. So
holes are walked here one by one: a hole's contents that weigh the same are one, what the last hole
needs is looked up and not searched, and a branch ends where the rest, in every one of 32
directions, can no longer push the residual inside. The walk ends with every answer weighed or
bounded away: that is the proof. `studies/shares_speed.py` holds it against a general solver.
"""

from __future__ import annotations

import cmath
import math
import time
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.search import Found, fewest, nearest, ready
from adapt.balancing.shares.start import MOST, start_of
from adapt.balancing.shares.values import MOST_HOLES, PIECES_ASKED_FOR, Change, Hole, Holes, Shared
from adapt.problems import BadInput

__all__ = ["AIMS", "TOLERANCE", "TOTALS", "share", "usual_tolerance"]

Int = npt.NDArray[np.int64]

AIMS = ("fewest", "nearest", "combine")
TOLERANCE = 0.05
"""Of the target. What is left then moves a reading by a twentieth of its correction: less than what
a reading of 0.4 ips scatters by (0.015 ips per component), and far less than what is usually known
of an influence coefficient. The program's own choice; no source."""
TOTALS = "what one blade may carry in all by the rotor file"
MOST_IN_HOLE = 1000  # pieces that may have room in one hole: more is a slip, and takes the memory
SECONDS = 20.0
_BESIDE = 0.25  # of the time, for each of: the smallest residual, and which limit stops it


def usual_tolerance(holes: Holes, target: complex) -> float:
    """Return the tolerance taken when none is given [g mm].

    A twentieth of the target; for no target (combine) half of what the lightest piece does at the
    smallest radius, which no piece could correct.
    """
    if target:
        return TOLERANCE * abs(target)
    if not len(holes.masses):
        return 0.0
    return 0.5 * float(holes.masses.min() * np.abs(holes.arms).min())


def share(
    holes: Holes,
    target: complex = 0.0,
    aim: Literal["fewest", "nearest", "combine"] = "fewest",
    tolerance_g_mm: float | None = None,
    most_pieces: int | None = None,
    seconds: float = SECONDS,
) -> Shared:
    """Return what to take out of and put into each hole for a change of unbalance.

    target: the change wanted, mass times radius at the angle where mass is to be added [g mm].
    aim: "fewest" pieces handled (put in and taken out; a piece moved counts twice) that leave a
    residual within the tolerance, no more than `most_pieces`; then fewest holes opened; then the
    smallest residual. "nearest": the smallest residual with at most `most_pieces` handled; then
    fewest pieces, then holes. "combine": what is fitted now, changed by the target, made of the
    fewest pieces fitted; then fewest handled, holes, residual. Of what is equal in all of these:
    fewest pieces fitted, least mass fitted, then more of the first kinds in the holes that stand
    first in the file. tolerance_g_mm: the largest residual [g mm], see `usual_tolerance`.
    seconds: time after which the best so far is returned with `proven` false; where nothing keeps
    the tolerance, what comes nearest and what stops it may take half as long again.

    A piece taken out may be put in elsewhere. A hole over its limits may be left, and is only
    changed towards them. Where nothing keeps the tolerance, `feasible` is false, the answer is the
    smallest residual, and `stopped_by` says what would open a way.

    Raises BadInput for a request or for holes that cannot be used.

    >>> from adapt.balancing.shares.values import Hole, Piece
    >>> four = tuple(Hole(name, 90.0 * k, 100.0, 20.0) for k, name in enumerate("abcd"))
    >>> shared = share(Holes(four, (Piece("5 g", 5.0), Piece("2 g", 2.0))), 700.0 + 500.0j)
    >>> [(c.hole, c.put) for c in shared.changes], shared.residual, shared.proven
    ([('a', {'5 g': 1, '2 g': 1}), ('b', {'5 g': 1})], 0j, True)
    """
    _require(holes, target, aim, tolerance_g_mm, most_pieces, seconds)
    ready()
    begun = time.monotonic()
    until = begun + seconds
    start = start_of(holes, complex(target), aim == "combine")
    tolerance = usual_tolerance(holes, target) if tolerance_g_mm is None else tolerance_g_mm
    feasible, too_many, ended = True, False, True
    if aim == "nearest":
        tolerance = math.inf
        found = nearest(start, most_pieces, until)
    else:
        found = fewest(start, tolerance, most_pieces, until)
        if found.fitted is None:
            feasible, too_many = False, found.least > MOST and not found.ended
            close = nearest(start, most_pieces, time.monotonic() + _BESIDE * seconds)
            ended = found.ended
            found = replace(close, proven=close.proven and ended, least=found.least)
    made = _answer(holes, complex(target), aim, tolerance, most_pieces, found)
    if not feasible and not ended and abs(made.residual) <= tolerance + start.tie:
        feasible = True  # the first search had no time to come upon it
    if not feasible:
        beside = time.monotonic() + _BESIDE * seconds
        made = replace(
            made,
            feasible=False,
            stopped_by=(f"that no more than {MOST} pieces are looked at",)
            if too_many
            else _stopped(made, holes, beside - time.monotonic()),
        )
    return replace(made, seconds=time.monotonic() - begun)


def _answer(
    holes: Holes, target: complex, aim: str, tolerance: float, most: int | None, found: Found
) -> Shared:
    """Return what was found by the names of the file, everything counted anew from it."""
    now = holes.fitted
    then = now if found.fitted is None else found.fitted
    changes = tuple(
        Change(
            hole.name,
            _named(holes, np.maximum(before - after, 0)),
            _named(holes, np.maximum(after - before, 0)),
            _named(holes, after),
        )
        for hole, before, after in zip(holes.holes, now, then, strict=True)
        if (before != after).any()
    )
    return Shared(
        aim=aim,
        target=target,
        tolerance=tolerance,
        most_pieces=most,
        feasible=True,
        proven=found.proven,
        changes=changes,
        achieved=holes.unbalance(then - now),
        handled=int(np.abs(then - now).sum()),
        opened=len(changes),
        pieces_before=int(now.sum()),
        pieces_after=int(then.sum()),
        least=found.least,
        least_residual=found.residual_bound,
        doubts=holes.over(),
    )


def _named(holes: Holes, counts: Int) -> Mapping[str, int]:
    return {p.name: int(n) for p, n in zip(holes.pieces, counts, strict=True) if n}


def _stopped(made: Shared, holes: Holes, seconds: float) -> tuple[str, ...]:
    """Return the limits any one of which, lifted, would let the tolerance be kept."""
    plenty = 200
    without = {
        "the stock of pieces": replace(
            holes, pieces=tuple(replace(p, stock=None) for p in holes.pieces)
        ),
        "the mass that a hole may carry": replace(
            holes,
            holes=tuple(
                replace(h, most_g=None, most_pieces=h.most_pieces or plenty) for h in holes.holes
            ),
        ),
        "the number of pieces in a hole": replace(
            holes,
            holes=tuple(
                replace(h, most_pieces=MOST_IN_HOLE if h.most_g else plenty) for h in holes.holes
            ),
        ),
    }
    if holes.totals:
        without[TOTALS] = replace(holes, totals=())
    said = []
    for words, other in without.items():
        start = start_of(other, made.target, made.aim == "combine")
        until = time.monotonic() + seconds / 4
        if fewest(start, made.tolerance, made.most_pieces, until).fitted is not None:
            said.append(words)
    if made.most_pieces is not None:
        start = start_of(holes, made.target, made.aim == "combine")
        until = time.monotonic() + seconds / 4
        if fewest(start, made.tolerance, None, until).fitted is not None:
            said.append(PIECES_ASKED_FOR)
    return tuple(said)


def _room_for(hole: Hole, holes: Holes) -> float:
    """Return how many pieces of the lightest kind a hole may carry."""
    lightest = min((p.mass_g for p in holes.pieces if p.mass_g > 0.0), default=math.inf)
    most = math.inf if hole.most_pieces is None else float(hole.most_pieces)
    return min(most, math.inf if hole.most_g is None else hole.most_g / lightest)


def _require(
    holes: Holes,
    target: complex,
    aim: str,
    tolerance: float | None,
    most: int | None,
    seconds: float,
) -> None:
    """Raise one BadInput that says all that is wrong with a request."""
    wrong = []
    if aim not in AIMS:
        wrong.append(f"aim {aim!r}: expected one of {', '.join(AIMS)}")
    if not cmath.isfinite(target):
        wrong.append(f"target {target}: expected a finite number")
    if tolerance is not None and not 0.0 <= tolerance < math.inf:
        wrong.append(f"tolerance {tolerance:g} g mm: expected 0 or more")
    if most is not None and (most < 0 or most != int(most)):
        wrong.append(f"most pieces {most}: expected a whole number, 0 or more")
    if aim == "nearest" and most is None:
        wrong.append("nearest needs the most pieces that may be handled")
    if aim == "nearest" and tolerance is not None:
        wrong.append("nearest takes no tolerance: it makes the residual as small as it can be")
    if aim == "combine" and most is not None:
        wrong.append("combine takes no number of pieces: it makes it as small as it can be")
    if not 0.0 <= seconds < math.inf:
        wrong.append(f"seconds {seconds:g}: expected 0 or more")
    if not 1 <= len(holes.holes) <= MOST_HOLES:
        wrong.append(f"{len(holes.holes)} holes: expected 1 to {MOST_HOLES}")
    for hole in holes.holes:
        if not (0.0 < hole.radius_mm < math.inf and math.isfinite(hole.angle_deg)):
            wrong.append(f"hole {hole.name}: expected a radius above 0 and an angle")
        if hole.most_g is None and hole.most_pieces is None:
            wrong.append(f"hole {hole.name}: expected most_g or most_pieces")
        elif (room := _room_for(hole, holes)) > MOST_IN_HOLE:
            wrong.append(
                f"hole {hole.name}: there is room for {room:.3g} of the lightest piece, expected "
                f"{MOST_IN_HOLE} at most: look at the masses, or say most_pieces"
            )
    wrong += [
        f"piece {piece.name}: expected a mass above 0"
        for piece in holes.pieces
        if not 0.0 < piece.mass_g < math.inf
    ]
    if wrong:
        raise BadInput("; ".join(wrong))
