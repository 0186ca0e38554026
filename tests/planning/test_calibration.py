"""Chances are held: on jobs drawn from the planner's own model, as many come inside as was stated.

The draw is made here, from the model's definition: nothing of `planning` goes into what comes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job

from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.problem.building import build_problem
from adapt.planning.problem.values import Problem
from adapt.rotor import Rotor

JOBS = 600
ALIKE = 0.6  # how far regimes of a sensor are known together, and channels share noise


@dataclass(frozen=True, eq=False)
class Outcomes:
    """By job: the joint chance stated, those of single limits, and what was inside.

    came: what the next run was drawn with, by name: as stated, with noise twice as rough, with
    effects of the moves twice as far from what was expected.
    """

    joint: np.ndarray
    single: list[np.ndarray]
    came: dict[str, list[np.ndarray]]

    def inside(self, how: str = "as stated") -> np.ndarray:
        return np.array([x.all() for x in self.came[how]])

    def z(self, how: str = "as stated") -> float:
        """How far more jobs came inside than stated, in sds of independent jobs."""
        sd = np.sqrt((self.joint * (1.0 - self.joint)).sum())
        return float((self.inside(how) - self.joint).sum() / sd)

    def single_z(self, how: str = "as stated") -> float:
        """The same of single limits, scaled by how jobs' sums scatter (limits share a job)."""
        gaps = [(i - s).sum() for i, s in zip(self.came[how], self.single, strict=True)]
        return float(np.sum(gaps) / np.sqrt(np.square(gaps).sum()))


@pytest.fixture(scope="module")
def outcomes() -> Outcomes:
    rng = np.random.default_rng(1)
    found = Outcomes(np.zeros(JOBS), [], {"as stated": [], "rougher": [], "less known": []})
    for number in range(JOBS):
        shape = drawn_job(
            rng, runs=1 + number % 2, noise=0.08, doubt=0.3, rest=0.35, carefree=True,
            regimes=1 + number % 3, sensors=1, track=number % 4 == 0,
        )  # fmt: skip
        job, truth = _redrawn(rng, _known_together(rng, shape))
        standing = standing_of(job.rotor, job.coefficients, job.history, JOB)
        hardware = hardware_of(job.rotor, job.history, JOB)
        problem, _ = build_problem(job.rotor, job.coefficients, standing, hardware)
        # Limits from tight to loose, so that chances of all sizes are stated.
        scale = float(np.exp(rng.uniform(-0.7, 0.4)))
        problem = problem.scaled(scale)
        steps = _some_plan(rng, problem)
        amounts = hardware.amounts(steps)
        found.joint[number] = problem.joint_chance(steps)
        found.single.append(
            np.concatenate([problem.amplitude_chances(steps), problem.spread_chances(steps)])
        )
        for how, next_run in (
            ("as stated", truth.next_run(rng, amounts)),
            ("rougher", truth.next_run(rng, amounts, rougher=2.0)),
            ("less known", truth.less_known().next_run(rng, amounts)),
        ):
            found.came[how].append(_inside(problem, job.rotor, scale, *next_run))
    return found


def test_as_many_jobs_come_inside_as_was_stated(outcomes: Outcomes) -> None:
    assert abs(outcomes.z()) < 3.0
    stated, inside = outcomes.joint, outcomes.inside()
    for low, high in ((0.0, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.0)):
        here = (stated >= low) & (stated <= high)
        assert here.sum() >= 10  # of all qualities
        sd = np.sqrt((stated[here] * (1 - stated[here])).sum())
        # 2.6 sds: five bins hold together in 95 % of cases (a normal law, Bonferroni)
        assert abs((inside[here] - stated[here]).sum()) < 2.6 * sd


def test_as_many_single_readings_come_inside_as_was_stated(outcomes: Outcomes) -> None:
    assert abs(outcomes.single_z()) < 3.0


@pytest.mark.parametrize("how", ["rougher", "less known"])
def test_runs_that_are_less_sure_than_stated_are_noticed(outcomes: Outcomes, how: str) -> None:
    assert outcomes.z(how) < -2.7  # in 1 of 300 cases where all is as stated
    assert outcomes.single_z(how) < -2.7


@dataclass(frozen=True, eq=False)
class Truth:
    """What a drawn job is really like after its last run; axes as in `drawn_jobs`."""

    job: Job
    own: np.ndarray
    lift: np.ndarray
    level: np.ndarray
    height: np.ndarray

    def moved(self, amounts: np.ndarray) -> Truth:
        rotor = self.job.rotor
        orders = np.array([rotor.sensor(s).order for s, _ in rotor.channels])
        n = len(rotor.blades)
        azimuth = np.array(rotor.azimuth_deg or 360.0 * np.arange(n) / n)
        turn = np.exp(1j * orders[:, None] * np.deg2rad(azimuth))
        level = self.level + np.einsum("ja,jb,ba->j", self.own, turn, amounts)
        return replace(self, level=level, height=self.height + (amounts @ self.lift.T).T)

    def stepped(self, rng: np.random.Generator, amounts: np.ndarray, rougher: float) -> Truth:
        noise, later = self.job.coefficients.noise, self.moved(amounts)
        return replace(
            later,
            level=later.level + rougher * _errors(rng, noise.run_var, noise.correlation),
            height=later.height + rougher * _heights(rng, noise.track_run_var, self.height),
        )

    def read(self, rng: np.random.Generator, rougher: float) -> tuple[np.ndarray, np.ndarray]:
        noise = self.job.coefficients.noise
        z = self.level + rougher * _errors(rng, noise.reading_var, noise.correlation)
        h = self.height + rougher * _heights(rng, noise.track_reading_var, self.height)
        return z, h - h.mean(axis=1, keepdims=True)

    def less_known(self) -> Truth:
        """Return it with coefficients twice as far from what was expected of them."""
        known = self.job.coefficients.unseen
        own, lift = 2.0 * self.own - known.mean, 2.0 * self.lift - known.track_mean
        return replace(self, own=own, lift=lift)

    def next_run(
        self, rng: np.random.Generator, amounts: np.ndarray, rougher: float = 1.0
    ) -> tuple[np.ndarray, np.ndarray]:
        return self.stepped(rng, amounts, rougher).read(rng, rougher)


def _known_together(rng: np.random.Generator, job: Job) -> Job:
    """Return the job with coefficients and noise that are correlated over regimes and channels."""
    known, noise = job.coefficients.unseen, job.coefficients.noise
    alike = _alike(rng, len(job.rotor.channels))
    posterior = replace(
        known,
        joint=_tied(known.joint, _alike(rng, known.joint.shape[1])),
        track_joint=_tied(known.track_joint, _alike(rng, known.track_joint.shape[1], sign=True)),
    )
    coefficients = replace(
        job.coefficients,
        type_=posterior,
        unseen=posterior,
        noise=replace(noise, correlation=alike),
    )
    return replace(job, coefficients=coefficients)


def _alike(rng: np.random.Generator, size: int, sign: bool = False) -> np.ndarray:
    unit = rng.choice([-1.0, 1.0], size) if sign else np.exp(2j * np.pi * rng.random(size))
    return (1.0 - ALIKE) * np.eye(size) + ALIKE * np.outer(unit, unit.conj())


def _tied(joint: np.ndarray, correlation: np.ndarray) -> np.ndarray:
    sd = np.sqrt(np.einsum("gaa->ga", joint).real)
    return sd[:, :, None] * correlation * sd[:, None, :]


def _redrawn(rng: np.random.Generator, job: Job) -> tuple[Job, Truth]:
    """Return the job as a rotor drawn from its coefficients reads, and what that rotor is like.

    The level is unknown before the first reading: it is what was read less the scatter.
    """
    known, noise = job.coefficients.unseen, job.coefficients.noise
    own = known.mean + _normal(rng, known.joint, complex).reshape(known.mean.shape)
    lift = _normal(rng, known.track_joint, float).reshape(known.track_mean.shape)
    lift = known.track_mean + lift
    truth = Truth(job, own, lift, job.values[0], np.nan_to_num(job.heights[0]))
    truth = replace(
        truth,
        level=truth.level - _errors(rng, noise.reading_var, noise.correlation),
        height=truth.height - _heights(rng, noise.track_reading_var, truth.height),
    )
    values, heights = job.values.copy(), job.heights.copy()
    for k, amounts in enumerate(job.moves, start=1):
        truth = truth.stepped(rng, amounts, 1.0)
        values[k], read = truth.read(rng, 1.0)
        heights[k] = np.where(np.isnan(heights[k]), np.nan, read)
    return _with_values(job, values, heights), truth


def _with_values(job: Job, values: np.ndarray, heights: np.ndarray) -> Job:
    history, rotor = job.history, job.rotor
    readings, track = history.readings.copy(), history.track.copy()
    channels = list(rotor.channels)
    readings["value"] = [
        values[int(x.run) - 1, channels.index((x.sensor, x.regime))] for x in readings.itertuples()
    ]
    track["height"] = [
        heights[int(x.run) - 1, rotor.regime_names.index(x.regime), rotor.blades.index(x.blade)]
        for x in track.itertuples()
    ]
    return replace(job, history=replace(history, readings=readings, track=track))


def _some_plan(rng: np.random.Generator, problem: Problem) -> np.ndarray:
    """Return steps: the likeliest of many (which a chance too bold would flatter), or any."""
    hardware = problem.hardware
    shape = (40, len(hardware.step))
    steps = rng.integers(hardware.low, hardware.high + 1, shape) * (rng.random(shape) < 0.35)
    steps = np.concatenate([steps[hardware.allows(steps)], np.zeros((1, shape[1]), dtype=int)])
    chances = problem.chances(steps)
    order = np.argsort(chances)
    return steps[order[-1 if rng.random() < 0.6 else -1 - rng.integers(len(order))]]


def _inside(
    problem: Problem, rotor: Rotor, scale: float, z: np.ndarray, heights: np.ndarray
) -> np.ndarray:
    """Return which limits a run keeps, amplitudes first; limits are scale times the rotor's."""

    def limit(sensor: str | None, regime: str) -> float:
        found = rotor.limit_for(sensor, regime)
        assert found is not None
        return scale * found.limit

    channels = list(rotor.channels)
    amplitudes = [
        abs(z[channels.index((k.sensor, k.regime))]) <= limit(k.sensor, k.regime)
        for k in problem.vibration.keys
    ]
    spreads = [
        np.ptp(heights[rotor.regime_names.index(k.regime)]) <= limit(None, k.regime)
        for k in problem.track.keys
    ]
    return np.array([*amplitudes, *spreads])


def _normal(rng: np.random.Generator, cov: np.ndarray, kind: type) -> np.ndarray:
    """Return draws, (group, size), of stacked covariances (group, size, size)."""
    values, vectors = np.linalg.eigh(cov)
    unit = rng.standard_normal(cov.shape[:2]).astype(kind)
    if kind is complex:
        unit = (unit + 1j * rng.standard_normal(unit.shape)) / np.sqrt(2.0)
    return np.einsum("gab,gb->ga", vectors, np.sqrt(np.maximum(values, 0.0)) * unit)


def _errors(rng: np.random.Generator, var: np.ndarray, correlation: np.ndarray) -> np.ndarray:
    sd = np.sqrt(var)
    return _normal(rng, (sd[:, None] * correlation * sd)[None], complex)[0]


def _heights(rng: np.random.Generator, var: np.ndarray, like: np.ndarray) -> np.ndarray:
    return np.sqrt(np.nan_to_num(var))[:, None] * rng.standard_normal(like.shape)
