"""How long weights take to be shared over holes, and a general solver on the same problems.

    python studies/shares_speed.py                      # about twenty minutes
    python studies/shares_speed.py --quick              # one problem of each sort, three minutes

Sorts of real sizes, targets at drawn angles: a tail rotor of two blades with 4 places and 4 kinds
of washer; a hub of four blades with 16 tape positions; a flange of 24 uneven holes; a fan disc with
36 holes and 5 kinds, to 5, 1, 0.1 and 0.01 % of the target, with what is needed near what the disc
can carry, with a stock that binds, for the smallest residual within 4 pieces, and with 14 pieces
fitted to be combined. Ours, in processor seconds, the loops compiled before: fewest pieces, then
fewest holes, then the smallest residual, proven. SCIP (one thread, through cvxpy): the same three
in turn (tests/outside/shares_by_solver.py), where nothing is fitted; where it ends in time all
three must agree, where it does not the ratio counts as "at least".
"""
# ruff: noqa: E402 - the solver stands beside the tests

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / "tests" / "outside")]

from asking import add_folder, add_quick, ended, options_of, seconds, whole
from kept import kept_csv, kept_figure, kept_text
from matplotlib.figure import Figure
from shares_by_solver import by_scip
from study_figures import ours_and_solver

from adapt.balancing.shares import Hole, Holes, Piece, share
from adapt.balancing.shares.search import ready

Aim = Literal["fewest", "nearest", "combine"]


@dataclass(frozen=True)
class Asked:
    """One problem. of_target: tolerance as a share of the target; None for the usual one."""

    holes: Holes
    target: complex
    of_target: float | None = 0.05
    aim: Aim = "fewest"
    most_pieces: int | None = None


@dataclass(frozen=True)
class Timed:
    """What came of a problem. scip None: not asked. residual: of the target, or in g mm."""

    sort: str
    pieces: int
    holes: int
    residual: float
    proven: bool
    least: int
    ours: float
    scip: float | None
    scip_done: bool


def pieces(masses: tuple[float, ...], stock: int | None = None) -> tuple[Piece, ...]:
    """Return kinds of washer."""
    return tuple(Piece(f"{mass:g} g washer", mass, stock) for mass in masses)


def turned(rng: np.random.Generator, size_g_mm: float) -> complex:
    """Return a target at a drawn angle."""
    return complex(size_g_mm * np.exp(2j * np.pi * rng.random()))


def tail(rng: np.random.Generator) -> Asked:
    """Two blades, washers at the tip and behind it."""
    places = ((0.0, 620.0), (90.0, 120.0), (180.0, 620.0), (270.0, 120.0))
    holes = tuple(Hole(str(k), a, r, 24.0, 6) for k, (a, r) in enumerate(places))
    size = complex(rng.uniform(-9000.0, 9000.0), rng.uniform(-2000.0, 2000.0))
    return Asked(Holes(holes, pieces((1.02, 2.05, 4.96, 10.1), 8)), size)


def tape(rng: np.random.Generator) -> Asked:
    """Four blades with four tape positions each, three lengths of tape."""
    holes = tuple(
        Hole(f"{blade} {station}", 90.0 * blade, 900.0 + 250.0 * station, None, 12)
        for blade in range(4)
        for station in range(4)
    )
    kinds = (Piece("60 mm", 4.1), Piece("150 mm", 10.3), Piece("300 mm", 20.6))
    return Asked(Holes(holes, kinds), turned(rng, 90_000.0), 0.01)


def flange(rng: np.random.Generator) -> Asked:
    """Unequal spacing, two radii."""
    angles = np.sort(rng.uniform(0.0, 360.0, 24))
    radii = rng.choice([180.0, 210.0], 24)
    holes = tuple(
        Hole(str(k), float(a), float(r), 30.0, 3)
        for k, (a, r) in enumerate(zip(angles, radii, strict=True))
    )
    return Asked(Holes(holes, pieces((1.0, 2.0, 5.0, 10.0))), turned(rng, 6_000.0), 0.01)


def disc(stock: int | None = None) -> Holes:
    """Return a fan disc of 36 holes, with weighed washers."""
    holes = tuple(Hole(str(k + 1), 10.0 * k, 300.0, 60.0, 4) for k in range(36))
    return Holes(holes, pieces((1.0, 2.0, 5.0, 10.0, 20.0), stock))


def fan(of_target: float, size_g: float = 17.0, stock: int | None = None) -> Callable[..., Asked]:
    """Return the disc with a target of so many g at its radius."""
    return lambda rng: Asked(disc(stock), turned(rng, 300.0 * size_g), of_target)


def nearest(rng: np.random.Generator) -> Asked:
    """Ask for the smallest residual within four pieces."""
    return Asked(disc(), turned(rng, 5_100.0), None, "nearest", 4)


def fitted(rng: np.random.Generator) -> Asked:
    """Fourteen pieces fitted in ten holes, to be combined."""
    empty = disc()
    where = rng.choice(36, 10, replace=False)
    counts: dict[int, dict[str, int]] = {int(k): {} for k in where}
    for k in [*where, *rng.choice(where, 4, replace=False)]:
        name = str(rng.choice([p.name for p in empty.pieces[:4]]))
        counts[int(k)][name] = counts[int(k)].get(name, 0) + 1
    holes = tuple(replace(h, fitted=counts.get(k, {})) for k, h in enumerate(empty.holes))
    return Asked(replace(empty, holes=holes), 0j, None, "combine")


SORTS: dict[str, Callable[[np.random.Generator], Asked]] = {
    "tail rotor, 4 places, 4 kinds, 5 %": tail,
    "hub, 16 tape positions, 3 kinds, 1 %": tape,
    "flange, 24 uneven holes, 4 kinds, 1 %": flange,
    "fan, 36 holes, 5 kinds, 5 %": fan(0.05),
    "fan, 1 %": fan(0.01),
    "fan, 0.1 %": fan(0.001),
    "fan, 0.01 %": fan(0.0001),
    "fan, half of what it can carry, 1 %": fan(0.01, 340.0),
    "fan, 3 of each kind in stock, 1 %": fan(0.01, 95.0, 3),
    "fan, smallest residual, 4 pieces": nearest,
    "fan, 14 pieces fitted, combined": fitted,
}


def timed(sort: str, asked: Asked, seconds: float, scip_seconds: float) -> Timed:
    """Solve a problem by each, and hold the answers against each other."""
    tolerance = None if asked.of_target is None else asked.of_target * abs(asked.target)
    begun = time.process_time()
    shared = share(asked.holes, asked.target, asked.aim, tolerance, asked.most_pieces, seconds)
    ours = time.process_time() - begun
    size = abs(asked.target) or 1.0
    residual = abs(shared.residual) / size
    scip, done = None, False
    if asked.aim == "fewest" and tolerance is not None:
        other = by_scip(asked.holes, asked.target, tolerance, scip_seconds)
        scip, done = other.seconds, other.residual is not None
        if other.pieces is not None and shared.proven:
            assert other.pieces == shared.handled, (other, shared)
        if other.residual is not None and other.claimed is not None and shared.proven:
            assert other.holes == shared.opened, (other, shared)
            assert residual <= other.residual + 1e-9, (other, residual)
            assert abs(other.claimed - residual) < 5e-6, (other, residual)
    pieces_then = shared.pieces_after if asked.aim == "combine" else shared.handled
    return Timed(
        sort, pieces_then, shared.opened, residual, shared.proven, shared.least, ours, scip, done
    )


def all_timed(asked: argparse.Namespace) -> list[Timed]:
    """Time all problems and print what came of it."""
    ready()
    rows: list[Timed] = []
    print(
        "problem                                  pieces holes   residual  ours [s]  SCIP [s] times"
    )
    for number, (sort, drawn) in enumerate(SORTS.items()):
        for k in range(1 if asked.quick else asked.problems):
            rng = np.random.default_rng([asked.seed, number, k])
            limit = 15.0 if asked.quick else asked.scip_seconds
            row = timed(sort, drawn(rng), asked.seconds, limit)
            rows.append(row)
            beside = ""
            if row.scip is not None:
                at_least = " " if row.scip_done else ">"
                beside = f"{at_least}{row.scip:9.2f}{row.scip / row.ours:6.0f}"
            print(
                f"{row.sort:40s} {row.pieces:6d} {row.holes:5d} {row.residual:10.3g} "
                f"{row.ours:9.3f} {beside}{'' if row.proven else '  not proven'}",
                flush=True,
            )
    ours = np.array([row.ours for row in rows])
    ratios = [row.scip / row.ours for row in rows if row.scip is not None]
    unfinished = sum(row.scip is not None and not row.scip_done for row in rows)
    print(f"ours: median {np.median(ours):.3f} s, longest {ours.max():.2f} s; "
          f"not proven {sum(not row.proven for row in rows)} of {len(rows)}")  # fmt: skip
    print(f"SCIP / ours: median {np.median(ratios):.0f}, least {min(ratios):.1f}; "
          f"SCIP unfinished {unfinished} of {len(ratios)}")  # fmt: skip
    return rows


def picture(rows: list[Timed]) -> Figure:
    """Return the seconds of SCIP by ours, where it was asked."""
    some = [(row.ours, row.scip, row.scip_done) for row in rows if row.scip is not None]
    ours, scip, done = zip(*some, strict=True)
    return ours_and_solver(ours, scip, done, ("ours [s]", "SCIP [s]"))


def main() -> None:
    """Print the table."""
    options = options_of(__doc__)
    options.add_argument("--problems", type=whole(1), default=5, help="of each sort")
    options.add_argument("--seconds", type=seconds, default=20.0, help="for ours")
    options.add_argument(
        "--scip-seconds", type=seconds, default=60.0, help="for each of its solves"
    )
    options.add_argument("--seed", type=whole(0), default=1)
    add_quick(options, "one problem each, SCIP for 15 s")
    add_folder(options)
    asked = options.parse_args()
    warnings.simplefilter("ignore")  # of the solver, about what is not finished
    with kept_text(asked.folder, "shares_speed.txt"):
        rows = all_timed(asked)
    kept_csv(asked.folder, "shares_speed.csv", [asdict(row) for row in rows])
    kept_figure(asked.folder, "shares_speed", picture(rows))


if __name__ == "__main__":
    ended(main)
