"""Run pairs of a two-disc flexible rotor that a finite-element library solved, not this project.

Source: ross-rotordynamics, version and settings in datasets/reference/two-disc-rotor/README.md; the
answers are the library's own direct solves with 1 g at one hole and nothing else. The first tests
use numpy alone and hold the reference data to account; the others hold `adapt` to the same answers.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import adapt

FOLDER = Path(__file__).parents[2] / "datasets" / "reference" / "two-disc-rotor"
DISCS = ["disc 1 mass", "disc 2 mass"]
SENSORS = ["bearing 1", "bearing 2"]
REGIMES = ["1500 rpm", "2100 rpm", "2900 rpm", "3600 rpm", "4500 rpm"]
HOLES = [str(hole) for hole in range(1, 9)]
TURN = np.exp(2j * np.pi * np.arange(8) / 8)  # hole b passes b / 8 of a turn after the first
CHANNELS = [(sensor, regime) for sensor in SENSORS for regime in REGIMES]


def table(name: str) -> pd.DataFrame:
    """Return one of the reference tables, names as text."""
    names = {"job", "run", "after_run", "blade"}
    return pd.read_csv(FOLDER / name, dtype=dict.fromkeys(names, str))


def phasors(rows: pd.DataFrame) -> np.ndarray:
    return (rows["amplitude"] * np.exp(1j * np.deg2rad(rows["phase_deg"]))).to_numpy()


def unit_mass_responses() -> np.ndarray:
    """Return the library's responses to 1 g, shape (disc, hole, channel)."""
    rows = table("unit-mass-responses.csv")
    value = pd.Series(
        phasors(rows), pd.MultiIndex.from_frame(rows[["adjuster", "blade", "sensor", "regime"]])
    )
    wanted = pd.MultiIndex.from_tuples(
        [(disc, hole, *channel) for disc in DISCS for hole in HOLES for channel in CHANNELS]
    )
    return value.loc[wanted].to_numpy().reshape(len(DISCS), len(HOLES), len(CHANNELS))


def runs_of(job: str) -> np.ndarray:
    """Return the readings of a job, shape (run, channel)."""
    rows = table("log/readings.csv").query("job == @job")
    value = pd.Series(phasors(rows), pd.MultiIndex.from_frame(rows[["run", "sensor", "regime"]]))
    runs = sorted(rows["run"].unique(), key=int)
    wanted = pd.MultiIndex.from_tuples([(run, *channel) for run in runs for channel in CHANNELS])
    return value.loc[wanted].to_numpy().reshape(len(runs), len(CHANNELS))


def fitted_in(job: str) -> np.ndarray:
    """Return sum_b exp(i psi_b) * mass fitted on each disc in each run [g], shape (run, disc)."""
    fitted = np.zeros((len(runs_of(job)), len(DISCS)), dtype=complex)
    for move in table("log/moves.csv").query("job == @job").itertuples():
        later = fitted[int(move.after_run) :, DISCS.index(move.adjuster)]
        later += move.amount * TURN[HOLES.index(move.blade)]
    return fitted


def initial_unbalance(job: str) -> np.ndarray:
    """Return what the rotor had at the job's start [g behind hole 1], shape (disc,)."""
    rows = table("initial-unbalance.csv").query("job == @job").set_index("adjuster").loc[DISCS]
    return (rows["amount"] * np.exp(1j * np.deg2rad(rows["phase_deg"]))).to_numpy()


def largest_error(found: np.ndarray, true: np.ndarray) -> float:
    return float(np.max(np.abs(found - true) / np.abs(true)))


@pytest.mark.parametrize(
    ("regime", "lag"),
    # Sensors stand 45 deg before the phase pickup in the direction of rotation. Textbook behaviour
    # of a flexible rotor (from memory): below its first critical speed (2500 rpm here) the shaft
    # moves out with the mass, so hole 1 and the peak pass the sensor together, 45 deg before the
    # reference; above it the shaft moves the other way. Velocity peaks a quarter turn earlier.
    [("1500 rpm", -45.0 - 90.0), ("3600 rpm", -45.0 + 180.0 - 90.0)],
)
def test_phases_are_lags_a_mass_is_followed_below_the_critical_speed_and_opposed_above(regime, lag):
    first_hole = unit_mass_responses()[:, 0]
    of_regime = [c for c, channel in enumerate(CHANNELS) if channel[1] == regime]
    away = np.angle(first_hole[:, of_regime] * np.exp(-1j * np.deg2rad(lag)), deg=True)
    assert np.abs(away).max() < 30.0  # damping and the uneven bearings turn it a little


def test_each_hole_answers_as_the_first_only_later():
    unit = unit_mass_responses()
    assert largest_error(unit, unit[:, :1] * TURN[:, None]) < 1e-10


def test_plain_least_squares_on_differences_gives_the_unit_mass_responses():
    changes = np.concatenate([np.diff(runs_of(job), axis=0) for job in ("J-1", "J-2")])
    moved = np.concatenate([np.diff(fitted_in(job), axis=0) for job in ("J-1", "J-2")])
    found, *_ = np.linalg.lstsq(moved, changes, rcond=None)
    assert largest_error(found, unit_mass_responses()[:, 0]) < 1e-9


@pytest.fixture(scope="module")
def rotor():
    return adapt.read_rotor(FOLDER / "rotor.toml")


@pytest.fixture(scope="module")
def learned(rotor):
    return adapt.learn(rotor, adapt.read_log(FOLDER / "log"))


def learned_of_first_hole(learned) -> np.ndarray:
    """Return the learned coefficients in this file's order, shape (disc, channel)."""
    row = [learned.channels.index(channel) for channel in CHANNELS]
    column = [learned.adjusters.index(disc) for disc in DISCS]
    return learned.of("R-1").mean[np.ix_(row, column)].T


def test_learning_without_a_chart_gives_the_unit_mass_responses(learned):
    assert largest_error(learned_of_first_hole(learned), unit_mass_responses()[:, 0]) < 1e-6


def test_stated_standard_deviations_cover_the_error_and_are_small(learned):
    # The readings have no noise, but the rotor file does not say so: the learner expects some until
    # the data have said better, and its doubt shrinks towards nothing with every pair.
    variance = np.einsum("jaa->ja", learned.of("R-1").cov).real
    size = np.abs(learned.of("R-1").mean)
    assert np.all(np.sqrt(variance / 2.0) < 0.03 * size)
    error = np.abs(learned_of_first_hole(learned) - unit_mass_responses()[:, 0])
    assert np.all(error.max() < np.sqrt(variance))


def test_stated_standard_deviations_shrink_when_the_rotor_file_says_that_readings_are_exact(rotor):
    exact = tuple(replace(s, reading_sd=1e-5, run_to_run_sd=1e-5) for s in rotor.sensors)
    learned = adapt.learn(replace(rotor, sensors=exact), adapt.read_log(FOLDER / "log"))
    variance = np.einsum("jaa->ja", learned.of("R-1").cov).real
    assert np.all(variance > 0.0)
    assert np.all(np.sqrt(variance / 2.0) < 1e-4 * np.abs(learned.of("R-1").mean))


@pytest.mark.parametrize("regime", REGIMES)
@pytest.mark.parametrize("job", ["J-1", "J-2"])
def test_two_planes_from_one_speed_find_the_opposite_of_what_was_out_of_balance(
    learned, job, regime
):
    read = [CHANNELS.index((sensor, regime)) for sensor in SENSORS]
    vector = learned_of_first_hole(learned)[:, read].T  # (sensor, disc)
    last = runs_of(job)[-1, read]
    correction = -np.linalg.solve(vector, last)
    assert largest_error(correction, -(initial_unbalance(job) + fitted_in(job)[-1])) < 1e-5


@pytest.mark.parametrize("regime", REGIMES)
@pytest.mark.parametrize("job", ["J-1", "J-2"])
def test_a_correction_from_one_speed_removes_99_percent_at_every_speed(learned, job, regime):
    read = [CHANNELS.index((sensor, regime)) for sensor in SENSORS]
    before = runs_of(job)[-1]
    correction = -np.linalg.solve(learned_of_first_hole(learned)[:, read].T, before[read])
    after = before.copy()
    for disc, mass in enumerate(correction):
        # Two holes on either side of the wanted angle carry it together.
        hole = int(np.angle(mass) % (2 * np.pi) // (np.pi / 4))
        pair = [hole, (hole + 1) % len(HOLES)]
        directions = np.array([TURN[pair].real, TURN[pair].imag])
        share = np.linalg.solve(directions, [mass.real, mass.imag])
        assert np.all(share >= 0.0)
        after += share @ unit_mass_responses()[disc, pair]
    assert np.abs(after).max() < 0.01 * np.abs(before).min()
