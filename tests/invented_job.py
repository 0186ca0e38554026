"""Invented jobs of one run each, with all that planning needs: rotor, history, coefficients.

Coefficients are set by hand, so that what a plan does can be worked out from the definitions alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from invented_fleet import history

from adapt.chart import Chart
from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor, SharedRange


@dataclass(frozen=True)
class Job:
    """A job with one run, named "1", of rotor R-1; job name "J-1"."""

    rotor: Rotor
    history: History
    coefficients: Coefficients
    readings: np.ndarray  # (channel,) complex, lag
    heights: np.ndarray  # (regime, blade), centred


def with_fitted(log: History, fitted: list[tuple[str, str, float]], job: str = "J-1") -> History:
    """Return the history with amounts fitted at the job's start: (blade, adjuster, amount)."""
    table = pd.DataFrame(
        [(job, *row) for row in fitted], columns=["job", "blade", "adjuster", "amount"]
    )
    return replace(log, fitted=table)


def coefficients_of(
    rotor: Rotor,
    mean: np.ndarray,
    cov: np.ndarray | None = None,
    track_mean: np.ndarray | None = None,
    track_cov: np.ndarray | None = None,
    reading_var: float = 2 * 0.015**2,
    run_var: float = 2 * 0.015**2,
    chart: Chart | None = None,
) -> Coefficients:
    """Return coefficients known for every rotor of the design alike; zero doubt unless given."""
    channels, regimes, adjusters = len(rotor.channels), len(rotor.regimes), len(rotor.adjusters)
    cov = np.zeros((channels, adjusters, adjusters), complex) if cov is None else cov
    track_mean = np.zeros((regimes, adjusters)) if track_mean is None else track_mean
    track_cov = np.zeros((regimes, adjusters, adjusters)) if track_cov is None else track_cov
    posterior = Posterior.of_channels(
        mean.astype(complex),
        cov,
        track_mean,
        track_cov,
        np.zeros((channels, adjusters), np.int64),
        np.zeros((regimes, adjusters), np.int64),
    )
    track_noise = np.full(regimes, 1.0 if rotor.has_track else np.nan)
    return Coefficients(
        design=rotor.name,
        channels=rotor.channels,
        regimes=rotor.regime_names,
        adjusters=rotor.adjuster_names,
        type_=posterior,
        unseen=posterior,
        rotors={},
        noise=Noise(
            np.full(channels, reading_var), np.full(channels, run_var), track_noise, track_noise
        ),
        chart=chart,
    )


def one_run(
    rotor: Rotor, readings: np.ndarray, heights: np.ndarray | None = None, **more: Any
) -> History:
    """Return the history of a job of one run: readings (channel,), NaN = not read."""
    rows = [
        ("J-1", "1", regime, sensor, value, np.nan, 1)
        for (sensor, regime), value in zip(rotor.channels, readings, strict=True)
        if not np.isnan(value)
    ]
    track = [
        ("J-1", "1", regime, blade, heights[g, b], np.nan)
        for g, regime in enumerate(rotor.regime_names)
        for b, blade in enumerate(rotor.blades)
        if heights is not None and rotor.has_track
    ]
    runs = [("R-1", "J-1", "1", "2026-01-01")]
    return history(runs=runs, readings=rows, track=track, **more)


def random_job(rng: np.random.Generator, **fixed: Any) -> Job:
    """Return a job of random shape that has something to mend; `fixed` pins what is drawn."""

    def drawn(name: str, values: list[Any]) -> Any:
        return fixed[name] if name in fixed else values[int(rng.integers(len(values)))]

    blades, adjusters = drawn("blades", [2, 3, 4, 5]), drawn("adjusters", [1, 2, 3])
    regimes, sensors = drawn("regimes", [1, 2, 3]), drawn("sensors", [1, 2, 3])
    track, uneven = drawn("track", [True, False]), drawn("uneven", [False, False, True])
    reach = drawn("reach", [2, 3])
    azimuth = None
    if uneven:
        gaps = rng.uniform(0.5, 1.5, blades)
        azimuth = tuple(np.concatenate([[0.0], 360.0 * np.cumsum(gaps)[:-1] / gaps.sum()]))
    names = tuple(f"B{b}" for b in range(blades))
    steps = rng.choice([0.3, 1.0, 20.0], adjusters)
    kinds = []
    for a in range(adjusters):
        step = float(steps[a])
        kinds.append(
            Adjuster(
                name=f"A{a}",
                unit="g",
                step=step,
                fitted_range=(0.0, 2 * reach * step)
                if rng.random() < 0.5
                else (-reach * step, reach * step),
                largest_move=reach * step if rng.random() < 0.7 else None,
                blades=names[:-1] if blades > 2 and rng.random() < 0.2 else None,
                sum_range=drawn("sum_range", [None, None, (0.0, 0.0), (-step, step)]),
                minutes=float(rng.integers(5, 40)),
                access_minutes=float(rng.integers(0, 20)),
                amount_sd=fixed.get("amount_sd", 0.0) * step,
            )
        )
    shared = ()
    if adjusters > 1 and rng.random() < 0.3:
        top = 3.0 * float(max(steps[:2]))
        shared = (SharedRange(("A0", "A1"), (-top, top)),)
    listed = tuple(
        Sensor(f"S{s}", "ips", phase="lead" if rng.random() < 0.3 else "lag",
               order=2 if blades > 2 and rng.random() < 0.2 else 1)
        for s in range(sensors)
    )  # fmt: skip
    limits = [Limit(s.name, float(rng.uniform(0.15, 0.3))) for s in listed]
    if regimes > 1 and rng.random() < 0.4:
        limits.append(Limit(listed[0].name, 0.4, "G0", only_inside=True))
    if track:
        limits.append(Limit(None, float(rng.uniform(8.0, 16.0))))
    rotor = Rotor(
        name="main rotor",
        blades=names,
        rpm=400.0,
        sensors=listed,
        regimes=tuple(Regime(f"G{g}") for g in range(regimes)),
        adjusters=tuple(kinds),
        limits=tuple(limits),
        track_unit="mm" if track else None,
        azimuth_deg=azimuth,
        shared_ranges=shared,
    )
    channels = sensors * regimes

    def circular(*shape: int) -> np.ndarray:
        return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)

    mean = 0.15 * circular(channels, adjusters) / steps
    root = drawn("doubt", [0.0, 0.02, 0.05]) * circular(channels, adjusters, adjusters)
    root = root / steps[:, None]
    cov = root @ np.swapaxes(root.conj(), 1, 2)
    track_mean = 2.0 * rng.normal(size=(regimes, adjusters)) / steps
    track_root = 0.3 * rng.normal(size=(regimes, adjusters, adjusters)) / steps[:, None]
    track_cov = track_root @ np.swapaxes(track_root, 1, 2)
    coefficients = coefficients_of(
        rotor, mean, cov, track_mean if track else None, track_cov if track else None,
        reading_var=fixed.get("reading_var", 2 * 0.015**2),
    )  # fmt: skip
    hidden = rng.integers(-reach, reach + 1, (blades, adjusters)) * (
        rng.random((blades, adjusters)) < 0.4
    )
    turn = turns(rotor)
    effect = np.einsum("ja,jb,ba->j", mean, turn, hidden * steps)
    readings = -effect + 0.08 * circular(channels)
    lift = track_mean @ (hidden * steps).T
    heights = -lift + rng.normal(size=(regimes, blades))
    heights -= heights.mean(axis=1, keepdims=True)
    fitted = [
        (b, k.name, float(rng.integers(0, reach + 1)) * k.step if k.fitted_range[0] == 0 else 0.0)
        for k in kinds
        for b in names
    ]
    log = with_fitted(one_run(rotor, readings, heights if track else None), fitted)
    return Job(rotor, log, coefficients, readings, heights)


def turns(rotor: Rotor) -> np.ndarray:
    """Return exp(i n psi_b) by its definition, (channel, blade)."""
    n = len(rotor.blades)
    azimuth = rotor.azimuth_deg or tuple(360.0 * b / n for b in range(n))
    order = [s.order for s in rotor.sensors for _ in rotor.regimes]
    return np.exp(1j * np.outer(order, np.deg2rad(azimuth)))
