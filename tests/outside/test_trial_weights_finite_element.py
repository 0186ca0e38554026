"""Trial weights on a two-disc flexible rotor that a finite-element library solved.

Source: ross-rotordynamics, version and settings in datasets/reference/two-disc-rotor/README.md. The
truth is the library's own direct solve with 1 g in one hole (unit-mass-responses.csv); runs are
built from it and from the job's initial unbalance, and handed over as a log of CSV files, as a user
would. The one- and two-plane vector method, the amplitude-only method and the residual unbalance
are held to it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import adapt
from adapt.balancing.residual import Machine, residual_unbalance
from adapt.balancing.trial.amplitudes import fit_amplitudes
from adapt.balancing.trial.vectors import balance, correction_of

FOLDER = Path(__file__).parents[2] / "datasets" / "reference" / "two-disc-rotor"
DISCS = ["disc 1 mass", "disc 2 mass"]
TURN = np.exp(2j * np.pi * np.arange(8) / 8)
SPEEDS = ["1500 rpm", "2100 rpm", "2900 rpm", "3600 rpm", "4500 rpm"]


@pytest.fixture(scope="module")
def rotor():
    return adapt.read_rotor(FOLDER / "rotor.toml")


def unit_responses(rotor) -> np.ndarray:
    """Return the library's responses to 1 g, (channel, disc, hole)."""
    rows = pd.read_csv(FOLDER / "unit-mass-responses.csv", dtype={"blade": str})
    found = np.zeros((len(rotor.channels), len(DISCS), 8), dtype=complex)
    for row in rows.itertuples():
        at = rotor.channels.index((row.sensor, row.regime))
        value = row.amplitude * np.exp(1j * np.deg2rad(row.phase_deg))
        found[at, DISCS.index(row.adjuster), int(row.blade) - 1] = value
    return found


def initial_unbalance(discs: list[str]) -> np.ndarray:
    """Return the first job's unbalance at its start [g behind hole 1], (disc,)."""
    rows = pd.read_csv(FOLDER / "initial-unbalance.csv").query("job == 'J-1'")
    rows = rows.set_index("adjuster").loc[discs]
    return (rows["amount"] * np.exp(1j * np.deg2rad(rows["phase_deg"]))).to_numpy()


def before_any_weight(rotor, discs: list[str]) -> np.ndarray:
    """Return the readings of the initial unbalance of these discs alone, (channel,).

    A mass between two holes acts as its parts on them.
    """
    unit = unit_responses(rotor)
    total = np.zeros(len(rotor.channels), dtype=complex)
    for disc, value in zip(discs, initial_unbalance(discs), strict=True):
        # The unbalance along hole 1 and along hole 3, a quarter turn later.
        total += value.real * unit[:, DISCS.index(disc), 0]
        total += value.imag * unit[:, DISCS.index(disc), 2]
    return total


def history_of(rotor, tmp_path, discs: list[str], moves: list[list[tuple[str, int, float]]]):
    """Write a log of runs with these moves (disc, hole, g) between them, and read it back."""
    unit = unit_responses(rotor)
    level = before_any_weight(rotor, discs)
    runs, readings, moved = [], [], []
    for run in range(1, len(moves) + 2):
        for disc, hole, amount in moves[run - 2] if run > 1 else []:
            level = level + amount * unit[:, DISCS.index(disc), hole - 1]
            moved.append(("J-9", run - 1, hole, disc, amount))
        runs.append(("R-1", "J-9", run, f"2026-05-0{run}T09:00"))
        readings += [
            ("J-9", run, regime, sensor, abs(z), np.rad2deg(np.angle(z)) % 360)
            for (sensor, regime), z in zip(rotor.channels, level, strict=True)
        ]
    log = tmp_path / "log"
    log.mkdir()
    for name, rows, columns in (
        ("runs", runs, "rotor job run started"),
        ("readings", readings, "job run regime sensor amplitude phase_deg"),
        ("moves", moved, "job after_run blade adjuster amount"),
    ):
        pd.DataFrame(rows, columns=columns.split()).to_csv(log / f"{name}.csv", index=False)
    return adapt.check(rotor, log), level


def after(rotor, level: np.ndarray, planes, weights) -> np.ndarray:
    """Return readings with weights split over the two holes beside each, (channel,)."""
    unit = unit_responses(rotor)
    level = level.copy()
    for plane, weight in zip(planes, weights, strict=True):
        hole = int(np.angle(weight) % (2 * np.pi) // (np.pi / 4))
        pair = [hole, (hole + 1) % 8]
        directions = np.array([TURN[pair].real, TURN[pair].imag])
        share = np.linalg.solve(directions, [weight.real, weight.imag])
        level += unit[:, DISCS.index(plane), pair] @ share
    return level


@pytest.mark.parametrize("regime", SPEEDS)
def test_two_planes_from_one_speed_take_away_99_percent_at_every_speed(rotor, tmp_path, regime):
    moves = [[("disc 1 mass", 3, 10.0)], [("disc 1 mass", 3, -10.0), ("disc 2 mass", 6, 10.0)]]
    history, level = history_of(rotor, tmp_path, DISCS, moves)
    found = balance(rotor, history, "J-9", regimes=[regime], in_steps=False)
    left = after(rotor, level, found.planes, found.correction.weights)
    assert np.abs(left).max() < 0.01 * np.abs(level).min()
    # It is the opposite of what was out of balance, and of the trial weight that was left on.
    stands = initial_unbalance(DISCS) + np.array([0.0, 10.0 * TURN[5]])
    assert found.correction.weights == pytest.approx(-stands, rel=1e-5)


@pytest.mark.parametrize("disc", DISCS)
def test_one_plane_takes_away_99_percent_where_the_unbalance_is_in_that_plane(
    rotor, tmp_path, disc
):
    history, level = history_of(rotor, tmp_path, [disc], [[(disc, 5, 12.0)]])
    found = balance(rotor, history, "J-9", in_steps=False)
    left = after(rotor, level, found.planes, found.correction.weights)
    assert np.all(np.abs(left) < 0.01 * np.abs(level))


def test_one_plane_for_an_unbalance_in_two_leaves_what_least_squares_leaves(rotor, tmp_path):
    history, level = history_of(rotor, tmp_path, DISCS, [[("disc 1 mass", 5, 12.0)]])
    found = balance(rotor, history, "J-9", in_steps=False)
    effect = unit_responses(rotor)[:, 0, 0]
    by_hand, *_ = np.linalg.lstsq(effect[:, None], -level, rcond=None)
    assert found.correction.weights == pytest.approx(by_hand, rel=1e-6)
    predicted = {(r.sensor, r.regime): r.after for r in found.correction.remaining}
    true = after(rotor, level, found.planes, found.correction.weights)
    assert [predicted[c] for c in rotor.channels] == pytest.approx(list(true), abs=1e-6)


@pytest.mark.parametrize("regime", SPEEDS)
@pytest.mark.parametrize("disc", DISCS)
def test_amplitudes_alone_find_the_unbalance_of_one_plane(rotor, disc, regime):
    channel = rotor.channels.index(("bearing 1", regime))
    unit = unit_responses(rotor)[channel, DISCS.index(disc)]
    start = before_any_weight(rotor, [disc])[channel]
    places = [(0, 0.0), (0, 15.0), (3, 15.0), (5, 12.0)]
    read = np.abs([start + amount * unit[hole] for hole, amount in places])
    weights = np.array([amount * TURN[hole] for hole, amount in places])
    found = fit_amplitudes(read, weights, 1e-6 * read.max())
    assert found.usable
    assert found.answers[0].correction == pytest.approx(-initial_unbalance([disc])[0], rel=1e-4)


def test_below_the_critical_speed_the_residual_is_the_unbalance_that_was_put_in(rotor, tmp_path):
    # Readings are exact, and the rotor file says so: at this speed 10 g move them by little more
    # than the noise that is expected otherwise.
    exact = tuple(replace(s, reading_sd=1e-6, run_to_run_sd=1e-6) for s in rotor.sensors)
    slow = replace(rotor, rpm=1500.0, sensors=exact)
    moves = [[("disc 1 mass", 3, 10.0)], [("disc 1 mass", 3, -10.0), ("disc 2 mass", 6, 10.0)]]
    history, _ = history_of(rotor, tmp_path, DISCS, moves)
    _, correction, noise = correction_of(slow, history, "J-9", regimes=["1500 rpm"])
    # Holes at 110 mm and the first critical speed, 2502 rpm, are the README's.
    machine = Machine(60.0, dict.fromkeys(DISCS, 110.0), 1500.0, 2502.0)
    found = residual_unbalance(slow, correction, machine, noise)
    true = np.abs(initial_unbalance(DISCS) + np.array([0.0, 10.0 * TURN[5]])) * 110.0
    assert [p.g_mm for p in found.planes] == pytest.approx(true, rel=1e-5)


def test_at_2900_rpm_above_its_critical_speed_no_residual_unbalance_is_stated(rotor, tmp_path):
    history, _ = history_of(rotor, tmp_path, DISCS, [[("disc 1 mass", 3, 10.0)]])
    slow = replace(rotor, rpm=1500.0)
    _, correction, noise = correction_of(slow, history, "J-9", regimes=["2900 rpm"])
    machine = Machine(60.0, dict.fromkeys(DISCS, 110.0), 1500.0, 2502.0)
    with pytest.raises(adapt.CannotBeMet, match="2900 rpm"):
        residual_unbalance(slow, correction, machine, noise)
