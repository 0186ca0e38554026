"""How do rotors differ from their type? Ways to say it, compared by what they predict.

    python studies/fleet_models.py              # everything, about half an hour on one core
    python studies/fleet_models.py --quick        # a seeded subset, under a minute

For one sensor, its regimes and adjusters together (18 coefficients), d_i = c_i - c is taken as

    a  each coefficient its own variance
    b  independent, one spread relative to |c|
    c  c (s + e): a share common to all of the sensor (gain and rotation), and a rest
    d  c (t_a + e): a share per adjuster, common to all regimes, and a rest
    e  c (s + t_a + e): both
    f  c (s + t_a + u + e): a drift u beside, alike in regimes of like airspeed, exp(-|.| / L)
    g  c (s + u + e): t_a itself drifting in this way

A plus after the letter: the noise has a part that all regimes of a run have in common. A star: each
spread is expected, with two degrees of freedom, to hold an equal part of 12 %. A number: the rest's
sd is at least that. A slash: each sensor has spreads of its own, where else they are tied over the
sensors. Variances (L, q, r) by restricted likelihood from the
first half of the jobs, the noise expected as the program expects it (four degrees of freedom).
Score: mean log density of each later reading given all before it, in nats a reading above b's; rms:
of the second half's changes of readings about their prediction from the first half, against b's;
error: rms of c_i - truth over |c|, from all jobs; cover: the share of 95 % intervals of a rotor's
coefficients that hold (each component); spreads: medians, sds per component.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from asking import add_quick, ended, options_of
from dense_fleet import Solution, Stack, dense_log_likelihood, solve, stack
from invented_fleets import (
    AIRSPEED,
    READING_SD,
    RUN_SD,
    Fleet,
    Spread,
    logged_fleet,
    machine_fleet,
    model_fleet,
    relative_spread,
)
from scipy.optimize import minimize

import adapt
from adapt.scenario import write_demo

VAGUE = 10.0  # the chart's sd times this is flat in all but name, and never singular
TRUTHS = {
    "b": relative_spread(AIRSPEED, rest=0.12),
    "e": relative_spread(AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06),
    "f": relative_spread(AIRSPEED, sensor=0.08, adjuster=0.05, drift=0.08, length=60.0),
}
PARTS = {
    "b": ("rest",),
    "c": ("sensor", "rest"),
    "d": ("adjuster", "rest"),
    "e": ("sensor", "adjuster", "rest"),
    "f": ("sensor", "adjuster", "rest", "drift", "length"),
    "g": ("sensor", "rest", "drift", "length"),
}
START = {"rest": 0.08, "sensor": 0.06, "adjuster": 0.06, "drift": 0.05, "length": 60.0}
LENGTHS, SPREADS, NOISES = (5.0, 1000.0), (1e-3, 1.0), (1e-9, 0.1)
EXPECTED = 0.12  # in all, per component
WEIGHTS = np.array([1.0, 2.0, 1.0, 2.0])  # of q and r in the variance of one difference


@dataclass(frozen=True)
class Model:
    """A letter of the list above, and what is marked after it."""

    letter: str
    common: bool
    expected: bool
    alone: bool
    least: float

    @classmethod
    def of(cls, name: str) -> Model:
        """Read "e", "e+", "e*/" or "e+0.05"."""
        least = float(name[1:].lstrip("+*/") or SPREADS[0])
        return cls(name[0], "+" in name, "*" in name, "/" in name, least)

    def names(self, coefficients: int) -> tuple[str, ...]:
        """Return what each parameter is."""
        return ("rest",) * coefficients if self.letter == "a" else PARTS[self.letter]

    def covariance(self, theta: np.ndarray, c: np.ndarray, airspeed: np.ndarray) -> np.ndarray:
        """Return that of d_i; theta: logarithms of sds per component, and of L."""
        if self.letter == "a":
            return np.diag(2.0 * np.exp(2.0 * theta) * np.abs(c.reshape(-1)) ** 2)
        return relative_spread(airspeed, **dict(zip(self.names(0), np.exp(theta), strict=True)))(c)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A model on some sensors: theta, and each sensor's noise (four variances) and covariance."""

    theta: np.ndarray
    noise: np.ndarray
    sigma: list[np.ndarray]


def fit(fleet: Fleet, model: Model, tables: Sequence[Stack], sensors: Sequence[int]) -> Fitted:
    """Maximise the restricted likelihood of some sensors together (spreads tied over them)."""
    names = model.names(fleet.chart[0].size)
    kinds = 4 if model.common else 2
    held = np.array([n != "length" for n in names])
    hope = EXPECTED / np.sqrt(held.sum())
    wanted = np.array([2 * RUN_SD**2, 2 * READING_SD**2])
    theta = np.log([START[n] for n in names])
    noise = np.log(np.tile(np.tile(wanted / (kinds / 2), kinds // 2), (len(sensors), 1)))
    least = {"length": LENGTHS, "rest": (model.least, SPREADS[1])}
    limits = [tuple(np.log(least.get(n, SPREADS))) for n in names]
    limits += [tuple(np.log(NOISES))] * noise.size
    sizes = [fleet.chart[s] for s in sensors]
    flat = [(VAGUE * fleet.chart_sd[s]) ** 2 for s in sensors]

    def four(logs: np.ndarray) -> np.ndarray:
        return np.append(np.exp(logs), np.zeros(4 - kinds))

    def look(x: np.ndarray) -> tuple[float, np.ndarray]:
        theta, noise = x[: len(names)], x[len(names) :].reshape(-1, kinds)
        value, slope = 0.0, np.zeros_like(x)
        if model.expected:
            excess = hope**2 * np.exp(-2.0 * theta[held])
            value += (2.0 * theta[held] + excess).sum()
            slope[: len(names)][held] += 2.0 - 2.0 * excess
        for at, sensor in enumerate(sensors):
            sigma = model.covariance(theta, sizes[at], fleet.airspeed)
            seen = solve(tables[at], four(noise[at]), sigma, fleet.chart[sensor], flat[at])
            expected, pull = _expectation(noise[at], wanted)
            value += expected - seen.log_likelihood
            for k in range(len(names)):
                step = 1e-4 * np.eye(len(names))[k]
                change = model.covariance(theta + step, sizes[at], fleet.airspeed)
                change = change - model.covariance(theta - step, sizes[at], fleet.airspeed)
                slope[k] -= (seen.score_spread.T * change).sum().real / 2e-4
            own = len(names) + kinds * at
            slope[own : own + kinds] += pull - seen.score_noise[:kinds]
        return value, slope

    for _ in range(2):
        for at, sensor in enumerate(sensors):
            sigma = model.covariance(theta, sizes[at], fleet.airspeed)
            prior = 2 * fleet.chart_sd[sensor] ** 2
            sizes[at] = solve(
                tables[at], four(noise[at]), sigma, fleet.chart[sensor], prior
            ).mean  # fmt: skip
        best = minimize(look, np.concatenate([theta, noise.ravel()]), jac=True, method="L-BFGS-B",
                        bounds=limits, options={"maxiter": 60, "ftol": 1e-8})  # fmt: skip
        theta, noise = best.x[: len(names)], best.x[len(names) :].reshape(-1, kinds)
    sigma = [model.covariance(theta, c, fleet.airspeed) for c in sizes]
    return Fitted(theta, np.array([four(x) for x in noise]), sigma)


def _expectation(logs: np.ndarray, wanted: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the penalty on a sensor's noise and its slope: four degrees of freedom.

    q + 2 r is expected as a scaled inverse chi-square, log(r / q) as normal with sd 1.
    """
    each = np.exp(logs) * WEIGHTS[: len(logs)]
    total, hope = each.sum(), WEIGHTS[:2] @ wanted
    ratio = logs[1] - logs[0] - np.log(wanted[1] / wanted[0])
    slope = 2.0 * (1 - hope / total) * each / total
    slope[:2] += ratio * np.array([-1.0, 1.0])
    return float(2.0 * (np.log(total) + hope / total) + 0.5 * ratio**2), slope


def posterior(fleet: Fleet, fitted: Fitted, rows: Stack, at: int, sensor: int) -> Solution:
    """Return the posterior with the chart as prior of the type."""
    prior = 2 * fleet.chart_sd[sensor] ** 2
    return solve(rows, fitted.noise[at], fitted.sigma[at], fleet.chart[sensor], prior)


@dataclass(frozen=True)
class Result:
    """What one model made of one fleet; error and cover are nan where truth is not known."""

    score: float
    rms: float
    error: float
    cover: float
    theta: np.ndarray


def judge(fleet: Fleet, name: str) -> Result:
    """Fit on the first half of the jobs, score on the second, then fit on all."""
    model = Model.of(name)
    cut = len(fleet.jobs) // 2
    early, late = fleet.jobs[:cut], fleet.jobs[cut:]
    sensors = range(len(fleet.chart))
    score, square, count = 0.0, 0.0, 0
    errors, inside, theta = [], [], []
    for group in [[s] for s in sensors] if model.alone else [list(sensors)]:
        before = [stack(fleet, s, early) for s in group]
        after = [stack(fleet, s, late) for s in group]
        whole = [stack(fleet, s, fleet.jobs) for s in group]
        fitted = fit(fleet, model, before, group)
        final = fit(fleet, model, whole, group)
        theta.append(np.exp(final.theta))
        for at, s in enumerate(group):
            known = posterior(fleet, fitted, before[at], at, s)
            together = posterior(fleet, fitted, whole[at], at, s)
            score += together.log_likelihood - known.log_likelihood
            mine = known.own.reshape(fleet.rotors, -1)[after[at].rotor]
            square += (np.abs(after[at].y - np.einsum("jma,ja->jm", after[at].x, mine)) ** 2).sum()
            count += after[at].count
            if fleet.own is not None:
                told = posterior(fleet, final, whole[at], at, s)
                true = fleet.own[:, s]
                sd = np.sqrt(np.einsum("iaa->ia", told.own_cov).real / 2).reshape(true.shape)
                off = told.own - true
                errors.append(np.abs(off) ** 2 / (np.abs(true) ** 2).mean(axis=0))
                inside += [np.abs(off.real) < 1.96 * sd, np.abs(off.imag) < 1.96 * sd]
    return Result(
        score / count,
        float(np.sqrt(square / count)),
        float(np.sqrt(np.mean(errors))) if errors else np.nan,
        float(np.mean(inside)) if inside else np.nan,
        np.mean(theta, axis=0),
    )


HEADER = (
    f"{'fleet':<32}{'model':>8}{'score':>9}{'+-':>8}{'rms':>8}{'error':>8}{'cover':>8}  spreads"
)


def table(name: str, draw: Callable[[int], Fleet], models: Sequence[str], seeds: int) -> None:
    """Print one block of the table: every model on the same fleets."""
    fleets = [draw(seed) for seed in range(seeds)]
    results = {m: [judge(f, m) for f in fleets] for m in models}
    base = results["b"]
    for model, found in results.items():
        gain = np.array([x.score - y.score for x, y in zip(found, base, strict=True)])
        rms = np.mean([x.rms / y.rms for x, y in zip(found, base, strict=True)])
        doubt = gain.std(ddof=1) / np.sqrt(seeds) if seeds > 1 else np.nan
        error = np.sqrt(np.mean([x.error**2 for x in found]))
        cover = np.mean([x.cover for x in found])
        middle = np.median([x.theta for x in found], axis=0)
        spreads = "" if model == "a" else " ".join(
            f"{n} {v:.3g}" for n, v in zip(PARTS[model[0]], middle, strict=True)
        )  # fmt: skip
        print(f"{name:<32}{model:>8}{gain.mean():9.4f}{doubt:8.4f}{rms:8.4f}{error:8.4f}"
              f"{cover:8.3f}  {spreads}", flush=True)  # fmt: skip
    print()


def check() -> None:
    """Print how far the algebra by rotors is from one covariance matrix of everything."""
    fleet = model_fleet(np.random.default_rng(0), 4, (3, 2), [TRUTHS["f"]])
    fleet.jobs[0].readings[1, 0, 2] = np.nan
    rows = stack(fleet, 0, fleet.jobs)
    given = (np.array([4e-4, 8e-4, 1e-4, 2e-4]), TRUTHS["f"](fleet.chart[0]), fleet.chart[0],
             2 * fleet.chart_sd[0] ** 2)  # fmt: skip
    off = abs(solve(rows, *given).log_likelihood - dense_log_likelihood(rows, *given))
    print(f"log-likelihood from one covariance of all readings: differs by {off:.1e}\n")


def drawn(spreads: Sequence[Spread], rotors: int, pairs: Sequence[int]) -> Callable[[int], Fleet]:
    """Return how to draw a model fleet by its seed."""
    return lambda seed: model_fleet(
        np.random.default_rng([seed, rotors, sum(pairs)]), rotors, pairs, spreads
    )


def demo_fleets() -> dict[str, Fleet]:
    """Return the demo's two fleets without the pairs that the program holds back."""
    fleets = {}
    with tempfile.TemporaryDirectory() as folder:
        demo = write_demo(Path(folder) / "demo")
        for name, file, drawn_chart in (
            ("demo, main rotor", demo.main_rotor, demo.main_chart),
            ("demo, tail rotor", demo.tail_rotor, demo.tail_chart),
        ):
            rotor = adapt.read_rotor(file)
            chart = adapt.read_chart(drawn_chart, rotor)
            history = adapt.check(rotor, adapt.read_log(demo.log))
            held_back = adapt.learn(rotor, history, chart).withheld
            fleets[name] = logged_fleet(rotor, history, chart, held_back)
    return fleets


def main() -> None:
    """Print the tables."""
    options = options_of(__doc__)
    add_quick(options, "a seeded subset")
    quick = options.parse_args().quick
    start = time.perf_counter()
    check()
    print(HEADER)
    models, seeds = (["b", "c", "e"], 2) if quick else ([*"abcdefg", "e*"], 4)
    sizes = [(20, (4, 4))] if quick else [
        (n, p) for n in (5, 20, 60) for p in ((2,), (4, 4), (4,) * 5)
    ]  # fmt: skip
    for truth, spread in TRUTHS.items():
        for rotors, pairs in sizes:
            used = [m for m in models if m != "a" or rotors < 60]
            name = f"drawn from {truth}, {rotors} x {sum(pairs)} pairs"
            repeats = seeds * (2 if rotors == 5 else 1)
            table(name, drawn([spread], rotors, pairs), used, repeats)
    machines = [(20, 2)] if quick else [(5, 2), (8, 5), (20, 2), (20, 5), (60, 5)]
    models = ["b", "e", "e*", "e+*"] if quick else [
        *"abcdefg", "e*", "e0.06", "b+", "e+", "e+*", "e+0.03", "e+0.06", "f+", "f+*"
    ]  # fmt: skip
    for rotors, jobs in machines:
        used = [m for m in models if m != "a" or rotors < 60]
        table(f"machine, {rotors} x {jobs} jobs, 3 sensors",
              lambda seed, n=rotors, j=jobs: machine_fleet(100 + seed, n, j), used,
              1 if quick else 2 if rotors == 60 else 3)  # fmt: skip
    for scale in ((1.0, 1.0, 1.0), (0.5, 1.0, 2.0)):
        spreads = [
            relative_spread(AIRSPEED, sensor=0.08 * k, adjuster=0.07 * k, rest=0.06 * k)
            for k in scale
        ]
        for rotors in (20,) if quick else (5, 20, 60):
            name = "from e, sensors x " + " ".join(f"{k:g}" for k in scale) + f", {rotors} x 8"
            table(name, drawn(spreads, rotors, (4, 4)), ["b", "b/", "e*", "e*/"],
                  1 if quick else 3)  # fmt: skip
    models = ["b", "e*", "e+*"] if quick else [*"bcdefg", "e*", "e0.06", "b+", "e+*", "e*/", "f+"]
    for name, fleet in demo_fleets().items():
        table(name, lambda _, f=fleet: f, models, 1)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    ended(main)
