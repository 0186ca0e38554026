"""How much faster a fleet is learned than by a general mixed-model fit at the same optimum.

    OMP_NUM_THREADS=1 python studies/fleet_speed.py [ROTORS]    # default 400, some minutes
    OMP_NUM_THREADS=1 python studies/fleet_speed.py --quick     # 40 rotors, under a minute

ROTORS x 20 pairs x 24 channels (4 sensors, 6 regimes), three adjusters, no track, without reading
scatter, because statsmodels' MixedLM knows no covariance between neighbouring rows. MixedLM fits
one sensor, whose regimes have rotors' shares in common (complex rows stacked as real ones;
variances tied as three components of columns times the type's coefficients: gain, adjuster, rest;
one residual variance), and is scaled to four; one channel alone is fitted too and scaled to 24.
What the program learns of one sensor's spreads leans on the others' as well, which no sensor fitted
alone can do; all channels as one model, variances tied, are fitted on a twentieth of the rotors and
scaled by rotors.
`adapt.learn` fits everything; its first fit is timed by its progress reports, from the tables of a
checked log on, the search for suspect entries beside it. A small fleet goes first, so that loading
the compiled loops (on a fresh machine: compiling them) is timed apart, as importing statsmodels is
not timed either. Seconds are of the processor, so that a busy machine matters less.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import pandas as pd
from asking import add_folder, add_quick, ended, options_of, whole
from kept import kept_csv, kept_figure, kept_text
from scipy.linalg import block_diag
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMResults, VCSpec
from study_figures import bars

import adapt
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

JOBS, PAIRS, BLADES = 5, 4, 4
RUN_SD = 0.015  # [ips] per component
GAIN, ADJUSTER, REST = 0.08, 0.07, 0.06  # per component, relative
SIZE = np.array([0.002, 0.06, 0.05])  # [ips per g, flat, deg]
STEP = np.array([10.0, 1.0, 0.5])
TRIES = 3  # of our fit, of which the middle one counts
FEW = 20  # the part of the rotors on which all channels are fitted as one model is 1 in this
T = TypeVar("T")


def design(sensors: int, regimes: int) -> Rotor:
    """Return a rotor design of so many channels, whose instruments do not scatter."""
    return Rotor(
        name="main rotor",
        blades=("A", "B", "C", "D"),
        rpm=390.0,
        sensors=tuple(
            Sensor(f"sensor {s}", "ips", reading_sd=1e-6, run_to_run_sd=RUN_SD)
            for s in range(sensors)
        ),
        regimes=tuple(Regime(f"regime {g}") for g in range(regimes)),
        adjusters=(
            Adjuster("hub weight", "g", 10.0, (-10000.0, 10000.0)),
            Adjuster("pitch link", "flat", 1.0, (-1000.0, 1000.0)),
            Adjuster("trim tab", "deg", 0.5, (-1000.0, 1000.0)),
        ),
        limits=tuple(Limit(f"sensor {s}", 0.2) for s in range(sensors)),
        track_unit=None,
    )


def timed(work: Callable[[], T]) -> tuple[T, float]:
    """Do the work; return its result and how long it took the processor [s]."""
    start = time.process_time()
    result = work()
    return result, time.process_time() - start


class Drawn:
    """A fleet's truth and readings as arrays, channels one after another."""

    def __init__(self, rotors: int, sensors: int, regimes: int) -> None:
        rng = np.random.default_rng(1)

        def circular(*shape: int) -> np.ndarray:
            return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

        channels = sensors * regimes
        self.type_ = SIZE * np.exp(2j * np.pi * rng.random((channels, 3)))
        share = GAIN * circular(rotors, sensors, 1) + ADJUSTER * circular(rotors, sensors, 3)
        share = np.repeat(share, regimes, axis=1)
        own = self.type_ * (1 + share + REST * circular(rotors, channels, 3))
        shape = (rotors, JOBS, PAIRS)
        self.amounts = np.zeros((*shape, BLADES, 3))
        for at in np.ndindex(shape):
            for b, a in zip(rng.permutation(BLADES)[:2], rng.integers(3, size=2), strict=True):
                self.amounts[at][b, a] = STEP[a] * rng.choice([-4, -3, 3, 4])
        turn = np.exp(2j * np.pi * np.arange(BLADES) / BLADES)
        self.x = np.einsum("b,ijkba->ijka", turn, self.amounts)
        self.y = np.einsum("ijka,ica->ijkc", self.x, own) + RUN_SD * circular(*shape, channels)
        level = 0.3 * circular(rotors, JOBS, 1, channels)
        self.readings = np.concatenate([level, level + np.cumsum(self.y, axis=2)], axis=2)

    def history(self, rotor: Rotor) -> History:
        """Return the first channels as a checked log."""
        rotors, jobs, runs = self.readings.shape[:3]
        at = np.array(list(np.ndindex(rotors, jobs, runs)))
        job = np.array([f"J{i:04d}-{j}" for i, j, _ in at], dtype=object)
        run = at[:, 2].astype(str).astype(object)
        started = pd.Timestamp("2024-01-01") + pd.to_timedelta(at[:, 1] * 30, unit="D")
        table = pd.DataFrame({
            "rotor": [f"R{i:04d}" for i in at[:, 0]], "job": job, "run": run, "started": started,
        })  # fmt: skip
        channels = len(rotor.channels)
        read = pd.DataFrame({
            "job": np.repeat(job, channels), "run": np.repeat(run, channels),
            "regime": np.tile([g for _, g in rotor.channels], len(job)),
            "sensor": np.tile([s for s, _ in rotor.channels], len(job)),
            "value": self.readings[..., :channels].ravel(), "spread": np.nan, "repeats": 1,
        })  # fmt: skip
        moved = np.argwhere(self.amounts != 0)
        moves = pd.DataFrame({
            "job": [f"J{i:04d}-{j}" for i, j, *_ in moved],
            "after_run": moved[:, 2].astype(str),
            "blade": np.array(rotor.blades)[moved[:, 3]],
            "adjuster": np.array(rotor.adjuster_names)[moved[:, 4]],
            "amount": self.amounts[tuple(moved.T)],
        })  # fmt: skip
        columns = {
            "track": "job,run,regime,blade,height,lag",
            "fitted": "job,blade,adjuster,amount",
            "events": "job,after_run,kind,sensor,note",
            "excluded": "table,row,job,run,regime,sensor,blade,reason",
        }
        empty = {k: pd.DataFrame([], columns=v.split(",")) for k, v in columns.items()}
        return History(
            runs=table, readings=read, moves=moves, faults=(), doubts=(), set_aside={},
            source="drawn", **empty,
        )  # fmt: skip


def mixed_lm(
    drawn: Drawn, rotors: int, sensors: int, regimes: int, components: tuple[str, ...]
) -> MixedLMResults:
    """Fit the first sensors in their first regimes as one model."""

    def stacked(x: np.ndarray) -> np.ndarray:
        return np.block([[x.real, -x.imag], [x.imag, x.real]])

    channels = sensors * regimes
    c = drawn.type_[:channels]
    of_sensor = c.reshape(sensors, regimes, -1)
    loads = {
        "gain": block_diag(*[rows.reshape(-1, 1) for rows in of_sensor]),
        "adjuster": block_diag(
            *[np.concatenate([np.diag(row) for row in rows]) for rows in of_sensor]
        ),
        "rest": np.diag(c.ravel()),
    }
    x = [block_diag(*[xi] * channels) for xi in drawn.x[:rotors].reshape(rotors, -1, 3)]
    y = drawn.y[:rotors, ..., :channels].reshape(rotors, -1, channels).transpose(0, 2, 1)
    mats = [[stacked(xi @ loads[name]) for xi in x] for name in components]
    labels = [[[str(k) for k in range(m.shape[1])] for m in each] for each in mats]
    rows = np.concatenate([np.append(yi.real, yi.imag) for yi in y.reshape(rotors, -1)])
    model = MixedLM(
        rows, np.concatenate([stacked(xi * np.abs(c.ravel())) for xi in x]),
        np.repeat(np.arange(rotors), len(rows) // rotors), exog_re=np.zeros((len(rows), 0)),
        exog_vc=VCSpec(list(components), labels, mats),
    )  # fmt: skip
    return model.fit(reml=True)


def learn(rotor: Rotor, log: History) -> tuple[Coefficients, float, float]:
    """Return what was learned, seconds of the first fit, and of all."""
    start = time.process_time()
    told: list[float] = []
    learned = adapt.learn(rotor, log, progress=lambda done, of: told.append(time.process_time()))
    return learned, max(told[:4]) - start, time.process_time() - start


def beside(learned: Coefficients, theirs: MixedLMResults, drawn: Drawn, regimes: int) -> None:
    """Print both estimates of one sensor."""
    (shares,) = learned.origin["spread_of_rotors_parts"].values()  # by sensor, of which one
    print(f"{'one sensor, the same model':<44}{'learned':>11}{'MixedLM':>11}{'drawn':>11}")
    q = float(np.sqrt(np.mean(learned.noise.run_var) / 2))
    print(f"{'  run-to-run sd, per component [ips]':<44}{q:11.6f}{np.sqrt(theirs.scale):11.6f}"
          f"{RUN_SD:11.6f}")  # fmt: skip
    for name, variance, true in zip(shares, theirs.vcomp, (GAIN, ADJUSTER, REST), strict=True):
        print(f"  {name + ' share, per component':<42}{shares[name]:11.5f}{np.sqrt(variance):11.5f}"
              f"{true:11.5f}")  # fmt: skip
    half = len(theirs.fe_params) // 2
    found = theirs.fe_params[:half] + 1j * theirs.fe_params[half:]
    ours = (learned.type_.mean / np.abs(drawn.type_[:regimes])).ravel()
    print(f"  coefficients of the type differ by at most {np.abs(ours - found).max():.1e} of them")


def against(name: str, slow: float, parts: int, first: float) -> tuple[str, float]:
    """Print what a part took, what all would, and how many of our fits that is."""
    whole = parts * slow
    print(f"{name:<42}{slow:10.2f}   x {parts} = {whole:.1f}, {whole / first:.0f} times the fit")
    return name, whole


def main() -> None:
    """Print the times and what was found."""
    options = options_of(__doc__)
    options.add_argument("rotors", type=whole(1), nargs="?", default=400)
    add_quick(options, "40 rotors")
    add_folder(options)
    asked = options.parse_args()
    with kept_text(asked.folder, "fleet_speed.txt"):
        seconds = compared(40 if asked.quick else asked.rotors)
    rows = [{"way": name, "seconds": s} for name, s in seconds]
    kept_csv(asked.folder, "fleet_speed.csv", rows)
    label = "seconds of the processor, scaled to the whole fleet"
    kept_figure(asked.folder, "fleet_speed", bars(seconds, label, log=True))


def compared(rotors: int) -> list[tuple[str, float]]:
    """Print what each way takes and finds; return the seconds, scaled to the whole fleet."""
    sensors, regimes = 4, 6
    drawn = Drawn(rotors, sensors, regimes)
    channels = sensors * regimes
    threads = os.environ.get("OMP_NUM_THREADS", "all")
    print(
        f"{rotors} rotors x {JOBS * PAIRS} pairs x {channels} channels, threads: {threads}; seconds"
    )
    whole, one = design(sensors, regimes), design(1, regimes)
    _, seconds = timed(lambda: learn(whole, Drawn(4, sensors, regimes).history(whole)))
    print(f"{'loading (once: compiling), with 4 rotors':<42}{seconds:10.2f}")
    log = drawn.history(whole)
    tries = sorted((learn(whole, log) for _ in range(TRIES)), key=lambda tried: tried[1])
    learned, first, seconds = tries[TRIES // 2]
    pairs = f"{len(learned.taught)} pairs, {len(learned.withheld)} held back"
    print(f"{'learned, all channels: the fit':<42}{first:10.2f}")
    print(f"{'  with the search for suspect entries':<42}{seconds:10.2f}   ({pairs})")
    _, slow = timed(lambda: mixed_lm(drawn, rotors, 1, 1, ("gain", "rest")))
    ways = [("learned, all channels", first)]
    ways.append(against("MixedLM, one channel", slow, channels, first))
    parts = ("gain", "adjuster", "rest")
    theirs, slow = timed(lambda: mixed_lm(drawn, rotors, 1, regimes, parts))
    ways.append(against("MixedLM, one sensor", slow, sensors, first))
    few = max(rotors // FEW, 2)
    _, slow = timed(lambda: mixed_lm(drawn, few, sensors, regimes, parts))
    ways.append(against(f"MixedLM, all channels, {few} rotors", slow, rotors // few, first))
    single, _, _ = learn(one, drawn.history(one))
    beside(single, theirs, drawn, regimes)
    return ways


if __name__ == "__main__":
    ended(main)
