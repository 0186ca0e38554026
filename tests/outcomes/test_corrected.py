"""The chart put right: nearer to the truth, and the chart itself where nothing was learned."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_fleet import fleet, without_chart_rows

from adapt.chart import read_chart, write_chart
from adapt.outcomes import compare, corrected_chart
from adapt.problems import AdaptError


def test_a_corrected_chart_is_nearer_to_the_average_rotor_and_knows_how_near(
    tmp_path: Path,
) -> None:
    f = fleet(np.random.default_rng(91), rotors=16, jobs=2, runs=5)
    outcome = compare(f.rotor, f.history, f.chart)
    right = corrected_chart(outcome.learned)
    off, was = np.abs(right.mean - f.type_), np.abs(f.chart.mean - f.type_)
    assert np.sqrt((off**2).mean(axis=0) / (was**2).mean(axis=0)).max() < 0.45
    assert np.mean(off <= right.sd * np.sqrt(2 * np.log(20))) > 0.88  # 95 % of circular errors
    assert (right.sd < f.chart.sd).all()
    lifted = np.abs(right.track_mean - f.track_type)[:, 1:]
    assert lifted.mean() < 0.5 * np.abs(f.chart.track_mean - f.track_type)[:, 1:].mean()
    path = tmp_path / "chart.csv"
    write_chart(right, f.rotor, path, digits=6)
    again = read_chart(path, f.rotor)
    np.testing.assert_allclose(again.mean, right.mean, rtol=2e-5)
    np.testing.assert_allclose(again.sd, right.sd, rtol=2e-5)


def test_what_was_never_moved_keeps_the_charts_number() -> None:
    f = fleet(np.random.default_rng(92), rotors=6, jobs=2, runs=4)
    moves = f.history.moves[f.history.moves.adjuster != "trim tab"]
    outcome = compare(f.rotor, replace(f.history, moves=moves), f.chart)
    right = corrected_chart(outcome.learned)
    tab = f.rotor.adjuster_names.index("trim tab")
    np.testing.assert_allclose(right.mean[:, tab], f.chart.mean[:, tab], rtol=0.05)
    assert (np.abs(right.mean - f.chart.mean)[:, 0] > 0.01 * np.abs(f.chart.mean)[:, 0]).any()


def test_rows_that_neither_chart_nor_log_have_stay_away() -> None:
    f = fleet(np.random.default_rng(93), rotors=4, jobs=2, runs=4)
    moves = f.history.moves[f.history.moves.adjuster != "trim tab"]
    chart = without_chart_rows(f.chart)
    right = corrected_chart(compare(f.rotor, replace(f.history, moves=moves), chart).learned)
    assert np.isnan(right.mean[:, 2]).all()
    assert not np.isnan(right.mean[:, 0]).any()


def test_without_a_chart_or_a_run_there_is_nothing_to_put_right() -> None:
    f = fleet(np.random.default_rng(94), rotors=2, jobs=1, runs=3)
    with pytest.raises(AdaptError, match="chart"):
        corrected_chart(compare(f.rotor, f.history).learned)
    with pytest.raises(AdaptError, match="no runs"):
        corrected_chart(None)
