"""How long the search for the smoothest plans takes, and general solvers on the same problems.

    python studies/planner_speed.py                     # 36 problems, about half an hour
    python studies/planner_speed.py --quick             # 6 problems, about two minutes

Drawn jobs of one run: 2 to 7 blades, 1 to 4 adjusters, 2 to 8 regimes, 3 sensors, with and without
track, ranges up to 12 steps, 3 to 6 moves. Ours, in processor seconds, the loops compiled before:
the whole trade-off, best worst ratios for 0, 1, ... moves, each proven; the same without the hedge;
and the fewest moves to a chance of 0.9. SCIP (one thread): one solve, the lowest worst ratio with
that many moves, as second-order cones with whole numbers (tests/outside/solvers.py). Where it ends
in time both optima must agree to 1e-6; where it does not, ours must be within its bounds and the
ratio counts as "at least". HiGHS has no cones: it gets tangents until none is violated, on
problems of at most 12 variables and 3 moves. Last, apart: the first compilation on a machine, and
`adapt plan` on the demo from what was kept.
"""
# ruff: noqa: E402 - the solvers stand beside the tests

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

TESTS = Path(__file__).parents[1] / "tests"
sys.path[:0] = [str(TESTS), str(TESTS / "outside")]

from asking import add_folder, add_quick, ended, options_of, seconds, whole
from drawn_jobs import JOB, Job, drawn_job
from kept import kept_csv, kept_figure, kept_text
from matplotlib.figure import Figure
from plan_by_definition import arrays_of
from solvers import by_highs, scip_within
from study_figures import ours_and_solver

from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.problem.building import build_problem
from adapt.planning.problem.values import Problem
from adapt.planning.search.aims import Answer, climb, descend, ladder_of_moves
from adapt.planning.search.job_search import ready
from adapt.planning.search.objectives import ChancePenalty, WorstRatio

READY = "from adapt.planning.search.job_search import ready; ready()"
SECONDS = 20.0  # of ours, where a chance is asked for


@dataclass(frozen=True)
class Timed:
    """One problem. Seconds of the processor: ours the trade-off, one its last alone.

    scip_done, chance_done: it came to an end. highs None: not asked.
    """

    blades: int
    text: str
    ours: float
    one: float
    unhedged: float
    chance: float
    chance_done: bool
    scip: float
    scip_done: bool
    highs: float | None

    @property
    def ratio(self) -> float:
        """Return how many times as long SCIP took as our whole trade-off."""
        return self.scip / self.ours


def shape(rng: np.random.Generator, blades: int) -> tuple[Job, int, str]:
    """Return a drawn job with something to do, the most moves, and what it is in words."""
    while True:
        adjusters, regimes = int(rng.integers(1, 5)), int(rng.choice([2, 4, 6, 8]))
        track, moves = bool(rng.random() < 0.5), int(rng.integers(3, 7))
        job = drawn_job(
            rng,
            blades=blades,
            adjusters=adjusters,
            regimes=regimes,
            sensors=3,
            track=track,
            reach=12,
        )
        problem = problem_of(job, hedge=True)
        if len(problem.hardware.step) >= 2:
            words = (
                f"{adjusters} adjusters, {regimes} regimes{', track' if track else ''}, K {moves}"
            )
            return job, moves, words


def problem_of(job: Job, hedge: bool) -> Problem:
    """Return the planning problem of a drawn job."""
    standing = standing_of(job.rotor, job.coefficients, job.history, JOB)
    hardware = hardware_of(job.rotor, job.history, JOB)
    return build_problem(job.rotor, job.coefficients, standing, hardware, hedge=hedge)[0]


def least_seconds(run: Callable[[], object]) -> float:
    """Return the least processor seconds of three runs."""
    times = []
    for _ in range(3):
        begun = time.process_time()
        run()
        times.append(time.process_time() - begun)
    return min(times)


def trade_off(problem: Problem, moves: int) -> list[Answer]:
    """Return the smoothest plans of 0, 1, ... moves."""
    return descend(WorstRatio(problem), moves, math.inf)


def timed(rng: np.random.Generator, blades: int, scip_seconds: float) -> Timed:
    """Draw a problem, solve it by each, and hold the answers against each other."""
    job, moves, words = shape(rng, blades)
    problem, bare = problem_of(job, hedge=True), problem_of(job, hedge=False)
    answer = trade_off(problem, moves)[-1]
    assert answer.proven
    begun = time.process_time()
    ladder = ladder_of_moves(problem.hardware, moves)
    reached = climb(
        ChancePenalty(problem), ladder, -math.log(0.9) + 1e-12, time.monotonic() + SECONDS
    )
    chance = time.process_time() - begun
    arrays = arrays_of(job, moves, hedged=True)
    found, bound, scip = scip_within(arrays, scip_seconds)
    done = found - bound <= 1e-6 * max(found, 1e-6)
    if math.isfinite(answer.value):
        assert answer.value <= found * (1.0 + 1e-6) + 1e-9, (answer.value, found)
        assert answer.value >= bound * (1.0 - 1e-6) - 1e-9, (answer.value, bound)
    highs = None
    if len(problem.hardware.step) <= 12 and moves == 3:
        begun = time.process_time()
        other = by_highs(arrays, "smoothest")
        highs = time.process_time() - begun
        assert other is None or abs(other.worst_ratio - answer.value) <= 1e-5 * answer.value
    return Timed(
        blades=blades,
        text=words,
        ours=least_seconds(lambda: trade_off(problem, moves)),
        one=least_seconds(lambda: descend(WorstRatio(problem), moves, math.inf, every=False)),
        unhedged=least_seconds(lambda: trade_off(bare, moves)),
        chance=chance,
        chance_done=reached.proven,
        scip=scip,
        scip_done=done,
        highs=highs,
    )


def cold() -> None:
    """Print the first compilation, loading, and a whole `adapt plan` from what was kept."""
    with tempfile.TemporaryDirectory() as name:
        kept = {**os.environ, "NUMBA_CACHE_DIR": name}
        for what in ("compiling the loops once", "loading them in another process"):
            begun = time.perf_counter()
            subprocess.run([sys.executable, "-c", READY], env=kept, check=True)
            print(f"{what:48s} {time.perf_counter() - begun:6.1f} s", flush=True)
        adapt_ = [sys.executable, "-m", "adapt"]
        rotor, log = "adapt-demo/main-rotor.toml", "adapt-demo/log"
        learned = Path(name) / "learned.json"
        for words in (
            ["demo"],
            ["learn", rotor, log, "--chart", "adapt-demo/chart.csv", "--output", str(learned)],
            ["plan", rotor, log, "--job", "J-058", "--coefficients", str(learned)],
        ):
            begun = time.perf_counter()
            subprocess.run([*adapt_, *words], env=kept, cwd=name, check=True, capture_output=True)
        taken = time.perf_counter() - begun
        print(f"{'adapt plan on the demo, the whole command':48s} {taken:6.1f} s")


def picture(rows: list[Timed]) -> Figure:
    """Return the seconds of SCIP's one solve by those of our whole trade-off."""
    return ours_and_solver(
        [row.ours for row in rows], [row.scip for row in rows], [row.scip_done for row in rows],
        ("our whole trade-off, proven [s]", "one solve of SCIP [s]"),
    )  # fmt: skip


def main() -> None:
    """Print the table."""
    options = options_of(__doc__)
    options.add_argument("--problems", type=whole(1), default=6, help="for each number of blades")
    options.add_argument("--scip-seconds", type=seconds, default=60.0)
    options.add_argument("--seed", type=whole(0), default=1)
    add_quick(options, "one problem each, SCIP for 15 s")
    add_folder(options)
    asked = options.parse_args()
    with kept_text(asked.folder, "planner_speed.txt"):
        rows = all_timed(asked)
        cold()
    kept_csv(asked.folder, "planner_speed.csv", [asdict(row) for row in rows])
    kept_figure(asked.folder, "planner_speed", picture(rows))


def all_timed(asked: argparse.Namespace) -> list[Timed]:
    """Time all problems and print what came of it."""
    each = 1 if asked.quick else asked.problems
    limit = 15.0 if asked.quick else asked.scip_seconds
    ready()
    rows: list[Timed] = []
    print("blades  problem                                ours [ms]  SCIP [s]   times  chance [ms]")
    for blades in range(2, 8):
        for number in range(each):
            row = timed(np.random.default_rng([asked.seed, blades, number]), blades, limit)
            rows.append(row)
            print(
                f"{blades:6d}  {row.text:38s} {1e3 * row.ours:9.1f}  "
                f"{'' if row.scip_done else '>'}{row.scip:8.2f} {row.ratio:7.0f} "
                f"{1e3 * row.chance:12.1f}{'' if row.chance_done else ' not proven'}",
                flush=True,
            )
    ratios = np.array([row.ratio for row in rows])
    alone = np.array([row.scip / row.one for row in rows])
    print(f"SCIP / our same solve: median {np.median(alone):.0f}, worst {alone.min():.0f}")
    print(
        f"one solve of SCIP / our whole trade-off: median {np.median(ratios):.0f}, worst "
        f"{ratios.min():.0f}; SCIP unfinished {sum(not r.scip_done for r in rows)} of {len(rows)}"
    )
    for low, high in ((2, 3), (4, 5), (6, 7)):
        some = np.array([1e3 * row.ours for row in rows if low <= row.blades <= high])
        median, worst = np.median(some), some.max()
        print(f"ours, {low} and {high} blades: median {median:.1f} ms, worst {worst:.1f} ms")
    hedged = np.array([row.ours / row.unhedged for row in rows])
    print(f"with the hedge / without: median {np.median(hedged):.1f}, worst {hedged.max():.1f}")
    chance = np.array([row.chance / row.ours for row in rows])
    print(
        f"fewest at 0.9 / our trade-off: median {np.median(chance):.1f}, worst {chance.max():.1f}; "
        f"not proven {sum(not r.chance_done for r in rows)}"
    )
    linear = [row.highs / row.ours for row in rows if row.highs is not None]
    if linear:
        print(
            f"HiGHS with tangents / ours, {len(linear)} small problems: median "
            f"{np.median(linear):.0f}, worst {min(linear):.0f}"
        )
    return rows


if __name__ == "__main__":
    ended(main)
