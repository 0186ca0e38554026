"""Does what the same move does vary from one time to the next?

    python studies/response.py                 # everything, a few minutes on one core
    python studies/response.py --quick           # a seeded subset, under a minute

A move's effect is taken as c X (1 + kappa eps), eps ~ CN(0, 1), new at every step; the step to
which moves led then has the variance q + sum_a kappa^2 |c_a|^2 |X_a|^2. Printed is the log
restricted likelihood of vibration over kappa, less that at kappa = 0, noise and spreads estimated
anew at each: for fleets drawn from the learner's model with a known kappa (new at each pair, or at
each job), for fleets flown on the machine of `adapt.simulate`, and for the demo's logs without the
pairs that `learn` holds back. q, r: medians, sds per component. Channels count as independent, so
that differences are rather too large.

Rows are turned and columns scaled differently at each kappa; what both do to the likelihood is
taken out, so that its values can be compared.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from asking import add_quick, ended, options_of
from drift_fleets import write
from invented_fleets import AIRSPEED, Fleet, circular, machine_fleet, model_fleet, relative_spread

import adapt
from adapt.chart import Chart
from adapt.learning.fitting.expected import expected_noise, typical_size
from adapt.learning.fitting.fleet import Prior
from adapt.learning.fitting.learner import fit, units_of
from adapt.learning.fitting.noise import estimate, restricted_log_likelihood
from adapt.learning.rows.pairs import vibration_rows
from adapt.learning.rows.runs import Runs, history_of, orders, runs_of, vibration_moves
from adapt.learning.rows.table import Table
from adapt.rotor import Rotor
from adapt.scenario import write_demo
from adapt.scenario.fleet import main_fleet

KAPPAS = (0.0, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2)
ROUNDS = 3  # kappa adds in proportion to q, which is estimated beside
DEMO = main_fleet()
# The fleets' phases are written as lag.
MACHINE = replace(DEMO.rotor, sensors=tuple(replace(s, phase="lag") for s in DEMO.rotor.sensors))
EXACT = tuple(replace(a, amount_sd=0.0) for a in MACHINE.adjusters)
MODEL = replace(MACHINE, blades=MACHINE.blades[:4], adjusters=EXACT)


def drawn(seed: int, kappa: float, each_job: bool, rotors: int = 12) -> Fleet:
    """Draw a fleet of the learner's model of which the response varies by kappa."""
    rng = np.random.default_rng(seed)
    spread = relative_spread(AIRSPEED, sensor=0.08, adjuster=0.07, rest=0.06)
    fleet = model_fleet(rng, rotors, (4, 4, 4, 4), [spread] * 3)
    assert fleet.type_ is not None
    jobs = []
    for job in fleet.jobs:
        count = 1 if each_job else len(job.moves)
        off = kappa * fleet.type_ * circular(rng, count, *fleet.type_.shape) / np.sqrt(2.0)
        off = np.broadcast_to(off, (len(job.moves), *fleet.type_.shape))
        readings = job.readings.copy()
        readings[1:] += np.cumsum(np.einsum("ka,ksga->ksg", job.moves, off), axis=0)
        jobs.append(replace(job, readings=readings))
    return replace(fleet, jobs=tuple(jobs))


def logged(fleet: Fleet, rotor: Rotor) -> Runs:
    """Write a fleet as a log and read it."""
    with tempfile.TemporaryDirectory() as place:
        write(fleet, rotor, Path(place) / "log")
        return runs_of(rotor, history_of(rotor, str(Path(place) / "log")))


def profile(rotor: Rotor, runs: Runs, chart: Chart | None) -> list[tuple[float, float, float]]:
    """Return (log restricted likelihood, q, r) at each kappa."""
    coefficients, learned, _ = fit(rotor, runs, chart)
    unit, _, units = units_of(rotor, runs)
    squares = np.abs(vibration_moves(rotor, runs)[orders(rotor)[1]].transpose(1, 0, 2)) ** 2
    expected, stated = expected_noise(rotor)
    sensor = np.repeat(np.arange(len(rotor.sensors)), len(rotor.regimes))
    start = learned.to_start_from()
    mean = np.where(learned.known.sure, learned.fleet.mean / learned.table.scale, 0.0)
    inexact = coefficients.noise.move_var
    of_moves = 0.0 if inexact is None else runs.moved @ np.nan_to_num(inexact).T
    found = []
    for kappa in KAPPAS:
        q = learned.variances.run_var
        for _ in range(ROUNDS):
            extra = (kappa**2 * (squares * np.abs(mean) ** 2).sum(axis=2) + of_moves) / q
            rows = vibration_rows(rotor, runs, runs.starts, unit, units, extra)
            table = Table.of(rows, learned.prior.fixed, learned.table.groups)
            ratio = table.scale / learned.table.scale
            prior = Prior(learned.prior.mean * ratio, learned.prior.var * ratio**2)
            variances = estimate(
                table, prior, expected, stated, sensor, typical_size(runs.readings),
                start=start.variances_in(table.scale),
            )  # fmt: skip
            q = variances.run_var
        likelihood = restricted_log_likelihood(
            table, variances.run_var, variances.reading_var, variances.spread, prior
        ).sum()
        turned = sum(len(b.channels) * np.linalg.slogdet(b.turn)[1] for b in rows.blocks)
        scaled = len(mean) * np.log(table.scale).sum()
        q_sd, r_sd = (float(np.sqrt(np.median(v) / 2)) for v in (q, variances.reading_var))
        found.append((float(likelihood + 2.0 * (turned - scaled)), q_sd, r_sd))
    return found


def show(name: str, rotor: Rotor, runs: Runs, chart: Chart | None) -> None:
    """Print one line for likelihoods, and the noise at no kappa and at the best."""
    found = profile(rotor, runs, chart)
    best = int(np.argmax([row[0] for row in found]))
    gains = "".join(f"{row[0] - found[0][0]:9.1f}" for row in found)
    noise = " -> ".join(f"{found[k][1]:.4f} {found[k][2]:.4f}" for k in (0, best))
    print(f"{name:<34}{gains}   {KAPPAS[best]:g}   {noise}", flush=True)


def main() -> None:
    """Print the table."""
    options = options_of(__doc__)
    add_quick(options, "a seeded subset")
    quick = options.parse_args().quick
    print(f"{'kappa':<34}" + "".join(f"{k:9g}" for k in KAPPAS) + "   best  q r -> q r")
    for each_job, kappa in ((False, 0.0), (False, 0.1), (False, 0.2), (True, 0.1), (True, 0.2)):
        for seed in range(5, 6 if quick else 8):
            what = f"drawn with {kappa:g} a {'job' if each_job else 'pair'}, seed {seed}"
            show(what, MODEL, logged(drawn(seed, kappa, each_job), MODEL), None)
    for seed in range(100, 101 if quick else 104):
        show(f"machine, 12 x 4 jobs, seed {seed}", MACHINE,
             logged(machine_fleet(seed, 12, 4), MACHINE), DEMO.chart)  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        demo = write_demo(Path(folder) / "demo")
        for name, file, drawn_chart in (
            ("demo, main rotor", demo.main_rotor, demo.main_chart),
            ("demo, tail rotor", demo.tail_rotor, demo.tail_chart),
        ):
            rotor = adapt.read_rotor(file)
            chart = adapt.read_chart(drawn_chart, rotor)
            history = history_of(rotor, demo.log)
            held = adapt.learn(rotor, history, chart).withheld
            runs = runs_of(rotor, history)
            wrong = np.array([pair in held for pair in runs.pair])
            show(name, rotor, replace(runs, starts=runs.starts | wrong), chart)


if __name__ == "__main__":
    ended(main)
