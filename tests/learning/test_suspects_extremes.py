"""Looking for suspects in logs at the edge of what can be: hardly any data, no noise, odd units."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor

from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.suspects.screening import Screened, fit_screened


def screened(made: Fleet, runs: Runs | None = None) -> Screened:
    """Screen with every warning of numpy an error: a silent NaN is no answer."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        return fit_screened(made.rotor, runs or runs_of(made.rotor, made.history), made.chart)


@pytest.mark.parametrize(
    ("blades", "sensors", "regimes", "adjusters", "track"),
    [(1, 1, 1, 1, False), (1, 2, 2, 2, True), (2, 1, 1, 1, True), (4, 1, 1, 3, False),
     (3, 2, 1, 2, True), (5, 1, 6, 3, False)],
)  # fmt: skip
def test_small_rotors_are_looked_at(
    blades: int, sensors: int, regimes: int, adjusters: int, track: bool
) -> None:
    rng = np.random.default_rng(1)
    rotor = invented_rotor(blades, sensors, regimes, adjusters, track)
    made = fleet(rng, rotor, rotors=3, jobs=2, runs=4, missing=0.1)
    for suspect in screened(made).suspects:
        assert 0.5 <= suspect.probability <= 1.0


def test_one_pair_is_looked_at() -> None:
    made = fleet(np.random.default_rng(2), invented_rotor(), rotors=1, jobs=1, runs=2)
    assert not screened(made).suspects


def test_one_run_or_none_has_no_suspects() -> None:
    made = fleet(np.random.default_rng(2), invented_rotor(), rotors=1, jobs=1, runs=1)
    assert not screened(made).suspects
    runs = runs_of(made.rotor, made.history)
    assert not screened(made, runs.only(np.zeros(len(runs), dtype=bool))).suspects


@pytest.mark.parametrize("gone", ["a run", "a channel", "all vibration", "all"])
def test_what_was_not_read_is_no_suspect(gone: str) -> None:
    made = fleet(np.random.default_rng(3), invented_rotor(blades=5), rotors=4, jobs=2, runs=4)
    runs = runs_of(made.rotor, made.history)
    readings, heights = runs.readings.copy(), runs.heights.copy()
    if gone == "a run":
        readings[5], heights[5] = np.nan, np.nan
    elif gone == "a channel":
        readings[:, 2] = np.nan
    else:
        readings[:] = np.nan
        if gone == "all":
            heights[:] = np.nan
    found = screened(made, replace(runs, readings=readings, heights=heights))
    assert len(found.suspects) <= 1


@pytest.mark.parametrize("run_sd", [0.0, 0.015])
@pytest.mark.parametrize("reading_sd", [0.0, 0.02])
def test_readings_without_noise_are_looked_at(run_sd: float, reading_sd: float) -> None:
    made = fleet(
        np.random.default_rng(4), invented_rotor(blades=5, track=False), rotors=4, jobs=3, runs=4,
        run_sd=run_sd, reading_sd=reading_sd,
    )  # fmt: skip
    runs = runs_of(made.rotor, made.history)
    assert len(screened(made, runs).suspects) <= 1
    amounts = runs.amounts.copy()
    row = int(np.flatnonzero(~runs.starts & (np.abs(amounts).sum(axis=(1, 2)) > 0))[7])
    amounts[row] *= -1
    found = screened(made, replace(runs, amounts=amounts)).suspects
    assert row in {step for suspect in found for step in suspect.steps}


def test_a_log_that_never_changes_has_no_suspects() -> None:
    made = fleet(np.random.default_rng(5), invented_rotor(), rotors=3, jobs=2, runs=4)
    runs = runs_of(made.rotor, made.history)
    still = replace(
        runs,
        readings=np.zeros_like(runs.readings),
        heights=np.zeros_like(runs.heights),
        amounts=np.zeros_like(runs.amounts),
    )
    assert not screened(made, still).suspects


@pytest.mark.parametrize("ratio", [1e-9, 1e9])
def test_units_of_adjusters_do_not_matter(ratio: float) -> None:
    made = fleet(np.random.default_rng(6), invented_rotor(blades=5), rotors=5, jobs=3, runs=5)
    runs = runs_of(made.rotor, made.history)
    amounts = runs.amounts.copy()
    row = int(np.flatnonzero(~runs.starts & (np.abs(amounts[..., 1]).sum(axis=1) > 0))[9])
    amounts[row] *= -1
    plain = screened(made, replace(runs, amounts=amounts))
    first = made.rotor.adjusters[0]
    low, high = first.fitted_range
    other = replace(
        first, step=first.step * ratio, fitted_range=(low * ratio, high * ratio), unit="x"
    )
    rotor = replace(made.rotor, adjusters=(other, *made.rotor.adjusters[1:]))
    scale = np.array([ratio, 1.0, 1.0])
    chart = replace(
        made.chart, mean=made.chart.mean / scale, sd=made.chart.sd / scale,
        track_mean=made.chart.track_mean / scale, track_sd=made.chart.track_sd / scale,
    )  # fmt: skip
    moved = fit_screened(rotor, replace(runs, amounts=amounts * scale), chart)
    assert [(s.row, s.kind) for s in moved.suspects] == [(s.row, s.kind) for s in plain.suspects]
    for one, two in zip(moved.suspects, plain.suspects, strict=True):
        assert one.probability == pytest.approx(two.probability, abs=1e-3)
    assert row in {s.row for s in plain.suspects}
