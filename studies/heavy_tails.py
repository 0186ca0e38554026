"""Normal noise against noise with heavy tails: what each makes of logs with and without gusts.

    python studies/heavy_tails.py               # everything, about ten minutes on one core
    python studies/heavy_tails.py --quick         # a seeded subset, under a minute

Fleets of 20 rotors x 8 pairs, two sensors, rotors differing as model e of `fleet_models`, and the
independent machine. Noise is taken as

    normal    q and r as they are
    steps     the run-to-run change of a run, in all its channels, has variance q / u, u one draw
              for the run from Gamma(nu / 2, nu / 2): a Student-t change common to all channels
    readings  the same of the reading scatter of a run
    known     as drawn, each run's variances given: what the best weights could gain (error alone)
    learned   what `adapt.learn` makes of the log, suspect pairs held back (error and cover alone)
    robust    the same with robust=True, readings and steps weighed both

u is replaced by its mean given the rest (expectation-maximisation, as Lange, Little and Taylor,
Journal of the American Statistical Association 84 (1989) 881, from memory), nu by likelihood
likewise. Score: mean log density of each pair of the second half of the jobs, all its readings
together, in nats a reading above normal's; u of the new run integrated out. error: rms of c_i -
truth over |c| from all jobs; cover: share of 95 % intervals that hold. Last, on which the default
stands: by how much the robust fit's error is below the normal one's in the same logs, with the
standard error over them, and how much longer it takes.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from asking import add_quick, ended, options_of
from dense_fleet import Stack, stack
from fleet_models import Fitted, Model, fit, posterior
from invented_fleets import AIRSPEED, Fleet, machine_fleet, model_fleet, relative_spread
from posterior_error import invented_design, learned
from scipy.optimize import minimize_scalar
from scipy.special import digamma, gammaln, logsumexp
from scipy.stats import gamma

from adapt.scenario.fleet import main_fleet

SPREAD = relative_spread(AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06)
FREEDOMS = (2.1, 200.0)
ROUNDS, NODES, START = 6, 15, 4.0
MODEL = Model.of("e*")


@dataclass(frozen=True, eq=False)
class Robust:
    """A fit with its tables weighted by the runs' u; which: normal, steps, readings or known."""

    which: str
    freedom: float
    fitted: Fitted
    tables: list[Stack]


def robust_fit(fleet: Fleet, which: str, tables: list[Stack]) -> Robust:
    """Fit spreads and noise, and the weight of every run."""
    sensors = list(range(len(fleet.chart)))
    jobs, _, steps = tables[0].steps.shape
    freedom, weighted = np.inf, tables
    fitted = fit(fleet, MODEL, weighted, sensors)
    if which in ("normal", "known"):
        return Robust(which, freedom, fitted, weighted)
    freedom = START
    inflation = np.ones((jobs, steps if which == "steps" else steps + 1))
    for _ in range(ROUNDS):
        square, count = np.zeros_like(inflation), np.zeros_like(inflation)
        for s in sensors:
            seen, informed = _squares(fleet, fitted, weighted[s], s, which, inflation)
            square += seen
            count += informed
        inflation = (freedom / 2 + square) / (freedom / 2 + count)
        freedom = _freedom(square, count, freedom)
        ones = np.ones((jobs, steps)), np.ones((jobs, steps + 1))
        weighted = [
            t.weighted(inflation, ones[1]) if which == "steps" else t.weighted(ones[0], inflation)
            for t in tables
        ]
        fitted = fit(fleet, MODEL, weighted, sensors)
    return Robust(which, freedom, fitted, weighted)


def _squares(
    fleet: Fleet, fitted: Fitted, rows: Stack, sensor: int, which: str, inflation: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean square of each run's noise over its variance, summed over what shows it.

    Both (job, run or step): the sum, and how many regimes it is over.
    """
    parts = rows.steps if which == "steps" else rows.ends
    variance = fitted.noise[sensor][0 if which == "steps" else 1]
    inside = posterior(fleet, fitted, rows, sensor, sensor).by_noise
    square, count = np.zeros_like(inflation), np.zeros_like(inflation)
    for g in range(rows.regimes):
        own = parts * (rows.regime == g)[:, :, None]
        shown = (own != 0).any(axis=1)
        told = np.einsum("jmk,jmn,jnk->jk", own, inside, own)
        square += shown * (inflation + variance * inflation**2 * told)
        count += shown
    return square, count


def _freedom(square: np.ndarray, count: np.ndarray, freedom: float) -> float:
    """Return the nu that makes the runs' u likeliest, given their posterior at the last nu."""
    shown = count > 0
    shape, rate = freedom / 2 + count[shown], freedom / 2 + square[shown]
    told = float((digamma(shape) - np.log(rate) - shape / rate).mean())

    def loss(log_half: float) -> float:
        half = np.exp(log_half)
        return float(-half * np.log(half) + gammaln(half) - half * told)

    return float(2 * np.exp(minimize_scalar(loss, bounds=np.log(FREEDOMS) - np.log(2)).x))


def score(fleet: Fleet, robust: Robust, known: list[Stack], later: list[Stack]) -> float:
    """Return the mean log density of the later jobs' pairs, in nats a reading."""
    total, count = 0.0, 0
    if np.isinf(robust.freedom):
        nodes = np.ones(1)
    else:
        middle = (np.arange(NODES) + 0.5) / NODES
        nodes = 1.0 / gamma.ppf(middle, robust.freedom / 2, scale=2 / robust.freedom)
    first, second = (x.ravel() for x in np.meshgrid(nodes, nodes))
    told = [posterior(fleet, robust.fitted, t, s, s) for s, t in enumerate(known)]
    for j, step in np.ndindex(later[0].steps.shape[0], later[0].steps.shape[2]):
        density = np.zeros(len(first))
        for s, rows in enumerate(later):
            alone = (rows.steps[j].sum(axis=1) == 1) & (rows.steps[j, :, step] == 1)
            if not alone.any():
                continue
            x, i = rows.x[j, alone], rows.rotor[j]
            values, turn = np.linalg.eigh(x @ told[s].own_cov[i] @ x.conj().T)
            error = turn.conj().T @ (rows.y[j, alone] - x @ told[s].own[i].ravel())
            q, r = robust.fitted.noise[s][:2]
            steps = robust.which == "steps"
            noise = q * first + 2 * r if steps else q + r * (first + second)
            v = np.maximum(values, 0.0) + noise[:, None]
            density += -(np.log(np.pi * v) + np.abs(error) ** 2 / v).sum(axis=1)
            count += int(alone.sum())
        total += float(logsumexp(density) - np.log(len(density)))
    return total / count


def judge(fleet: Fleet, which: str) -> tuple[float, float, float, float]:
    """Return score, error, cover and nu of one kind of noise on one fleet."""
    cut = len(fleet.jobs) // 2
    sensors = range(len(fleet.chart))
    gained, whole = np.nan, [stack(fleet, s, fleet.jobs) for s in sensors]
    if which == "known":
        gust = np.array([job.gust for job in fleet.jobs])
        rough = np.array([job.rough for job in fleet.jobs])
        whole = [t.weighted(gust**2, rough**2) for t in whole]
    else:
        before = robust_fit(fleet, which, [stack(fleet, s, fleet.jobs[:cut]) for s in sensors])
        later = [stack(fleet, s, fleet.jobs[cut:]) for s in sensors]
        gained = score(fleet, before, before.tables, later)
    final = robust_fit(fleet, which, whole)
    told = [posterior(fleet, final.fitted, final.tables[s], s, s) for s in sensors]
    mean = np.stack([t.own for t in told], axis=1)
    var = np.stack([np.einsum("iaa->ia", t.own_cov).real for t in told], axis=1)
    return gained, *errors(fleet, mean, np.sqrt(var / 2).reshape(mean.shape)), final.freedom


def errors(fleet: Fleet, mean: np.ndarray, sd: np.ndarray) -> tuple[float, float]:
    """Return the rms error over |c|, and the share of 95 % intervals that hold."""
    assert fleet.own is not None
    off = mean - fleet.own
    square = np.abs(off) ** 2 / (np.abs(fleet.own) ** 2).mean(axis=0)
    inside = [np.abs(off.real) < 1.96 * sd, np.abs(off.imag) < 1.96 * sd]
    return float(np.sqrt(square.mean())), float(np.mean(inside))


def logs(rng: np.random.Generator) -> dict[str, Callable[[], Fleet]]:
    """Return how to draw each kind of log."""

    def student() -> float:
        return float(np.sqrt(2.0 / rng.chisquare(4.0)))  # variance 1

    def gust() -> float:
        return 5.0 if rng.random() < 0.05 else 1.0

    def drawn(**noise: Callable[[], float]) -> Callable[[], Fleet]:
        return lambda: model_fleet(rng, 20, (4, 4), [SPREAD, SPREAD], **noise)

    return {
        "normal": drawn(),
        "steps t(4)": drawn(step=student),
        "5 % of steps 5 sds": drawn(step=gust),
        "readings t(4)": drawn(reading=student),
        "5 % of readings 5 sds": drawn(reading=gust),
        "machine": lambda: machine_fleet(int(rng.integers(10**6)), 20, 4),
    }


def main() -> None:
    """Print the table."""
    options = options_of(__doc__)
    add_quick(options, "a seeded subset")
    quick = options.parse_args().quick
    start = time.perf_counter()
    seeds = 1 if quick else 5
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        design = invented_design(Path(folder))
    print(f"{'log':<24}{'noise':<10}{'score':>9}{'+-':>8}{'error':>8}{'cover':>8}  nu")
    for name, draw in logs(rng).items():
        if quick and name in ("steps t(4)", "readings t(4)", "machine"):
            continue
        fleets = [draw() for _ in range(seeds)]
        kinds = ["normal", "steps", "readings", *(["known"] if name != "machine" else [])]
        results = {w: np.array([judge(f, w) for f in fleets]) for w in kinds}
        rotor = main_fleet().rotor if name == "machine" else design
        seconds = {}
        for which in ("learned", "robust"):
            began = time.perf_counter()
            results[which] = np.array(
                [(np.nan, *errors(f, *learned(f, rotor, which == "robust")), np.nan)
                 for f in fleets]
            )  # fmt: skip
            seconds[which] = time.perf_counter() - began
        for which, found in results.items():
            gain = found[:, 0] - results["normal"][:, 0]
            doubt = gain.std(ddof=1) / np.sqrt(seeds) if seeds > 1 else np.nan
            error = np.sqrt((found[:, 1] ** 2).mean())
            cover, freedom = found[:, 2].mean(), np.median(found[:, 3])
            print(f"{name:<24}{which:<10}{gain.mean():9.4f}{doubt:8.4f}{error:8.4f}"
                  f"{cover:8.3f}  {freedom:.3g}", flush=True)  # fmt: skip
        less = 1.0 - results["robust"][:, 1] / results["learned"][:, 1]
        doubt = less.std(ddof=1) / np.sqrt(seeds) if seeds > 1 else np.nan
        print(f"robust: error {less.mean():.1%} below learned, +- {doubt:.1%}; "
              f"{seconds['robust'] / seconds['learned']:.1f} times as long\n")  # fmt: skip
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    ended(main)
