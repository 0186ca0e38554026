"""Drawn jobs of any number of runs for tests of the planner, with hand-made coefficients.

Everything a job rests on is drawn or given here; what a plan does to it is not computed here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from invented_fleet import history

from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor, SharedRange

JOB, SERIAL = "J-1", "S-1"


@dataclass(frozen=True)
class Job:
    """One job of one rotor, ready to be planned.

    values: (run, channel) complex (lag) and heights: (run, regime, blade), NaN = not read;
    moves: (run gap, blade, adjuster) amounts made after each run but the last; fitted: (blade,
    adjuster) at the job's start.
    """

    rotor: Rotor
    history: History
    coefficients: Coefficients
    values: np.ndarray
    heights: np.ndarray
    moves: np.ndarray
    fitted: np.ndarray


def job_of(
    rotor: Rotor,
    values: np.ndarray,
    posterior: Posterior,
    heights: np.ndarray | None = None,
    moves: np.ndarray | None = None,
    fitted: np.ndarray | None = None,
    noise: Noise | None = None,
    events: list[tuple] | None = None,
) -> Job:
    """Return a job from arrays as in `Job`; runs are called 1, 2, ... NaN in fitted = unknown."""
    runs, shape = len(values), (len(rotor.blades), len(rotor.adjusters))
    if heights is None:
        heights = np.full((runs, len(rotor.regimes), len(rotor.blades)), np.nan)
    moves = np.zeros((runs - 1, *shape)) if moves is None else moves
    fitted = np.zeros(shape) if fitted is None else fitted
    started = pd.Timestamp("2026-01-05 08:00")
    at = [(k, b, a) for k, b, a in np.ndindex(moves.shape) if moves[k, b, a] != 0]
    table = history(
        runs=[(SERIAL, JOB, str(k + 1), started + pd.Timedelta(hours=k)) for k in range(runs)],
        readings=[
            (JOB, str(k + 1), regime, sensor, values[k, j], np.nan, 1)
            for k in range(runs)
            for j, (sensor, regime) in enumerate(rotor.channels)
            if not np.isnan(values[k, j])
        ],
        track=[
            (JOB, str(k + 1), regime, blade, heights[k, g, b], np.nan)
            for k in range(runs)
            for g, regime in enumerate(rotor.regime_names)
            for b, blade in enumerate(rotor.blades)
            if not np.isnan(heights[k, g]).any()
        ],
        moves=[
            (JOB, str(k + 1), rotor.blades[b], rotor.adjuster_names[a], moves[k, b, a])
            for k, b, a in at
        ],
        events=events,
    )
    known = [(b, a) for b, a in np.ndindex(shape) if not np.isnan(fitted[b, a])]
    table = replace(
        table,
        fitted=pd.DataFrame(
            [(JOB, rotor.blades[b], rotor.adjuster_names[a], fitted[b, a]) for b, a in known],
            columns=["job", "blade", "adjuster", "amount"],
        ),
    )
    if noise is None:
        noise = steady(rotor)
    coefficients = coefficients_of(rotor, posterior, noise)
    return Job(rotor, table, coefficients, values, heights, moves, fitted)


def coefficients_of(rotor: Rotor, posterior: Posterior, noise: Noise) -> Coefficients:
    """Return coefficients that know every rotor equally well."""
    return Coefficients(
        design=rotor.name,
        channels=rotor.channels,
        regimes=rotor.regime_names,
        adjusters=rotor.adjuster_names,
        type_=posterior,
        unseen=posterior,
        rotors={},
        noise=noise,
    )


def posterior_of(
    mean: np.ndarray,
    cov: np.ndarray | None = None,
    track_mean: np.ndarray | None = None,
    track_cov: np.ndarray | None = None,
    regimes: int = 1,
) -> Posterior:
    """Return a posterior; mean (channel, adjuster), track_mean (regime, adjuster), else 0."""
    mean = np.asarray(mean, dtype=complex)
    adjusters = mean.shape[1]
    if track_mean is None:
        track_mean = np.zeros((regimes, adjusters))
    track_mean = np.asarray(track_mean, dtype=float)
    if cov is None:
        cov = np.zeros((*mean.shape, adjusters), dtype=complex)
    if track_cov is None:
        track_cov = np.zeros((*track_mean.shape, adjusters))
    return Posterior.of_channels(
        mean=mean,
        cov=np.asarray(cov, dtype=complex),
        track_mean=track_mean,
        track_cov=np.asarray(track_cov, dtype=float),
        pairs=np.zeros(mean.shape, dtype=np.int64),
        track_pairs=np.zeros(track_mean.shape, dtype=np.int64),
    )


def steady(rotor: Rotor, sd: float = 0.01, track_sd: float = 0.2) -> Noise:
    """Return the same noise everywhere; sds per component of reading and of run-to-run change."""
    channels, regimes = len(rotor.channels), len(rotor.regimes)
    track = track_sd**2 if rotor.has_track else np.nan
    return Noise(
        reading_var=np.full(channels, 2.0 * sd**2),
        run_var=np.full(channels, 2.0 * sd**2),
        track_reading_var=np.full(regimes, track),
        track_run_var=np.full(regimes, track),
    )


def small_rotor(
    blades: int = 4,
    regimes: int = 1,
    sensors: int = 1,
    adjusters: tuple[Adjuster, ...] = (Adjuster("hub weight", "g", 20.0, (0.0, 400.0)),),
    limit: float = 0.2,
    track_limit: float | None = None,
) -> Rotor:
    """Return an even rotor of one kind of adjuster, every reading limited alike."""
    names = [f"sensor {s + 1}" for s in range(sensors)]
    limits = [Limit(name, limit) for name in names]
    if track_limit is not None:
        limits.append(Limit(None, track_limit))
    return Rotor(
        name="main rotor",
        blades=tuple("ABCDEFGH"[:blades]),
        rpm=390.0,
        sensors=tuple(Sensor(name, "ips") for name in names),
        regimes=tuple(Regime(f"regime {r + 1}") for r in range(regimes)),
        adjusters=adjusters,
        limits=tuple(limits),
        track_unit=None if track_limit is None else "mm",
    )


def drawn_job(
    rng: np.random.Generator,
    blades: int | None = None,
    adjusters: int | None = None,
    regimes: int | None = None,
    sensors: int | None = None,
    track: bool | None = None,
    runs: int = 1,
    reach: int = 4,
    rest: float = 0.3,
    doubt: float = 0.2,
    noise: float = 0.03,
    amount_sd: float = 0.0,
    carefree: bool = False,
) -> Job:
    """Return a job of random shape: hidden moves off a good state, and a rest that no move mends.

    reach: steps that an adjuster's range holds about. rest, doubt, noise: of the limit, of the
    coefficient and of the limit. carefree: no bounds on sums and nothing that must only be inside.
    """
    n = int(rng.integers(2, 6)) if blades is None else blades
    kinds = int(rng.integers(1, 4)) if adjusters is None else adjusters
    regimes = int(rng.integers(1, 5)) if regimes is None else regimes
    sensors = int(rng.integers(1, 4)) if sensors is None else sensors
    track = bool(rng.random() < 0.5) if track is None else track
    names = tuple("ABCDEFGH"[:n])
    drawn, fitted = [], np.zeros((n, kinds))
    for a in range(kinds):
        step = float(rng.choice([0.3, 20.0, 1.0, 0.5, 2.5]))
        room = int(rng.integers(2, reach + 1))
        one_sided = rng.random() < 0.4
        low, high = (0.0, room * step) if one_sided else (-room * step, room * step)
        if rng.random() < 0.3:
            high += 0.4 * step  # the range need not be whole steps
        fitted[:, a] = step * (rng.integers(0, room + 1, n) if one_sided else 0)
        if rng.random() < 0.2:
            fitted[:, a] += 0.25 * step  # nor what is fitted on them
        if rng.random() < 0.1:
            fitted[0, a] = high + 1.5 * step  # or inside the range
        drawn.append(
            Adjuster(
                name=f"adjuster {a + 1}",
                unit="g",
                step=step,
                fitted_range=(low, high),
                amount_sd=amount_sd * step,
                largest_move=2 * step if rng.random() < 0.2 else None,
                blades=names[1:] if n > 2 and rng.random() < 0.15 else None,
                sum_range=_sum_range(rng, step, carefree),
                minutes=float(rng.choice([5.0, 10.0, 15.0])),
                access_minutes=float(rng.choice([0.0, 10.0, 30.0])),
            )
        )
    shared = ()
    if kinds > 1 and not carefree and rng.random() < 0.3:
        top = max(drawn[0].fitted_range[1], drawn[1].fitted_range[1])
        pair = (drawn[0].name, drawn[1].name)
        shared = (SharedRange(pair, (-top, 1.2 * top)),)
    azimuth = None
    if rng.random() < 0.25:
        azimuth = tuple(np.sort(np.concatenate([[0.0], rng.uniform(20.0, 340.0, n - 1)])))
    limit = rng.uniform(0.1, 2.0, (sensors, regimes))
    track_limit = rng.uniform(3.0, 12.0, regimes)
    limits = [
        Limit(f"sensor {s + 1}", limit[s, r], f"regime {r + 1}", not carefree and _sometimes(rng))
        for s in range(sensors)
        for r in range(regimes)
        if (s, r) == (0, 0) or rng.random() < 0.9
    ]
    limits[0] = replace(limits[0], only_inside=False)
    if track:
        limits += [
            Limit(None, track_limit[r], f"regime {r + 1}", not carefree and _sometimes(rng))
            for r in range(regimes)
            if rng.random() < 0.9
        ]
    rotor = Rotor(
        name="main rotor",
        blades=names,
        rpm=390.0,
        sensors=tuple(
            Sensor(
                f"sensor {s + 1}",
                "ips",
                phase="lead" if rng.random() < 0.3 else "lag",
                order=2 if rng.random() < 0.2 else 1,
            )
            for s in range(sensors)
        ),
        regimes=tuple(Regime(f"regime {r + 1}") for r in range(regimes)),
        adjusters=tuple(drawn),
        limits=tuple(limits),
        track_unit="mm" if track else None,
        azimuth_deg=azimuth,
        shared_ranges=shared,
    )
    return _with_runs(rng, rotor, limit, track_limit, fitted, runs, rest, doubt, noise)


def _with_runs(
    rng: np.random.Generator,
    rotor: Rotor,
    limit: np.ndarray,
    track_limit: np.ndarray,
    fitted: np.ndarray,
    runs: int,
    rest: float,
    doubt: float,
    noise: float,
) -> Job:
    n, kinds, regimes = len(rotor.blades), len(rotor.adjusters), len(rotor.regimes)
    step = np.array([a.step for a in rotor.adjusters])
    flat = limit.ravel()
    channels = len(flat)
    mean = 0.6 * flat[:, None] * _phasors(rng, channels, kinds) / step
    lift = 0.25 * track_limit[:, None] * rng.normal(size=(regimes, kinds)) / step
    posterior = posterior_of(
        mean,
        _covariance(rng, doubt * np.abs(mean), complex),
        lift,
        _covariance(rng, doubt * np.abs(lift), float),
    )
    hidden = step * rng.integers(-2, 3, (n, kinds)) * (rng.random((n, kinds)) < 0.5)
    orders = np.array([rotor.sensor(s).order for s, _ in rotor.channels])
    turn = np.exp(1j * orders[:, None] * np.deg2rad(_azimuth(rotor)))
    level = -np.einsum("ja,jb,ba->j", mean, turn, hidden) + rest * flat * _phasors(rng, channels)
    heights = -hidden @ lift.T
    heights = (heights + rest * track_limit * rng.normal(size=(n, regimes)) / 2.0).T
    values, seen, moves = [], [], np.zeros((runs - 1, n, kinds))
    for k in range(runs):
        values.append(level + noise * flat * _phasors(rng, channels))
        read = heights + noise * track_limit[:, None] * rng.normal(size=(regimes, n))
        seen.append(read - read.mean(axis=1, keepdims=True))
        if k + 1 < runs:
            moves[k] = step * rng.integers(-1, 2, (n, kinds)) * (rng.random((n, kinds)) < 0.4)
            level = level + np.einsum("ja,jb,ba->j", mean, turn, moves[k]) * 1.1
            heights = heights + 0.9 * (moves[k] @ lift.T).T
    track_noise = (noise * track_limit) ** 2 if rotor.has_track else np.full(regimes, np.nan)
    levels = Noise(
        reading_var=(noise * flat) ** 2 * rng.uniform(0.3, 1.5, channels),
        run_var=(noise * flat) ** 2 * rng.uniform(0.3, 1.5, channels),
        track_reading_var=track_noise,
        track_run_var=0.7 * track_noise,
    )
    read_heights = np.array(seen) if rotor.has_track else np.full(np.shape(seen), np.nan)
    return job_of(rotor, np.array(values), posterior, read_heights, moves, fitted, levels)


def _azimuth(rotor: Rotor) -> np.ndarray:
    n = len(rotor.blades)
    return np.array(rotor.azimuth_deg) if rotor.azimuth_deg else 360.0 * np.arange(n) / n


def _covariance(rng: np.random.Generator, sd: np.ndarray, kind: type) -> np.ndarray:
    """Return random correlated covariances, (row, adjuster, adjuster), of about these sds."""
    rows, adjusters = sd.shape
    root = rng.normal(size=(rows, adjusters, adjusters)).astype(kind)
    if kind is complex:
        root = root + 1j * rng.normal(size=root.shape)
    root = sd[:, :, None] * (0.5 * root / np.sqrt(adjusters) + 0.5 * np.eye(adjusters))
    return root @ root.swapaxes(1, 2).conj()


def _phasors(rng: np.random.Generator, *shape: int) -> np.ndarray:
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)


def _sometimes(rng: np.random.Generator) -> bool:
    return bool(rng.random() < 0.15)


def _sum_range(rng: np.random.Generator, step: float, carefree: bool) -> tuple[float, float] | None:
    if carefree or rng.random() < 0.6:
        return None
    return (0.0, 0.0) if rng.random() < 0.5 else (-step, 2.0 * step)
