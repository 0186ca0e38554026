"""The noise of track before the log shows it, and how often early predictions of track hold."""

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import fleet, invented_rotor
from scipy.stats import invgamma

import adapt
from adapt.chart import Chart
from adapt.learning import learn
from adapt.learning.fitting.expected import TRACK_WEIGHT, expected_track_noise, track_noise
from adapt.learning.fitting.learner import fit
from adapt.learning.fitting.noise import NOISE_WEIGHT
from adapt.learning.rows.runs import runs_of
from adapt.rotor import Limit, Rotor


def expected_sds(rotor: Rotor, runs: int = 1, chart: Chart | None = None) -> list[float]:
    """Return what is expected of the scatter of heights, by regime, after jobs of some runs."""
    f = fleet(np.random.default_rng(2), rotor, rotors=1, jobs=1, runs=max(runs, 1))
    seen = runs_of(f.rotor, f.history)
    seen = seen if runs else seen.only(np.zeros(len(seen), dtype=bool))
    center, _ = expected_track_noise(rotor, seen, chart)
    return np.sqrt(center.reading_var).tolist()


def test_the_track_noise_of_the_rotor_file_holds_until_there_are_data() -> None:
    stated = {"track_reading_sd": 3.0, "track_run_to_run_sd": 0.5}
    rotor = replace(invented_rotor(sensors=1), **stated)
    few = fleet(np.random.default_rng(2), rotor, rotors=1, jobs=1, runs=1)
    noise = learn(rotor, few.history, few.chart).noise
    np.testing.assert_allclose(np.sqrt(noise.track_reading_var), 3.0, rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(noise.track_run_var), 0.5, rtol=1e-6)
    many = fleet(np.random.default_rng(2), rotor, rotors=20, jobs=3, runs=5)
    noise = learn(rotor, many.history, many.chart).noise
    of_a_difference = noise.track_run_var + 2.0 * noise.track_reading_var
    assert np.median(of_a_difference) == pytest.approx(0.8**2 + 2.0 * 1.0**2, rel=0.2)


def test_one_stated_noise_of_track_stands_in_for_the_other() -> None:
    rotor = replace(invented_rotor(sensors=1), track_reading_sd=2.0)
    f = fleet(np.random.default_rng(2), rotor, rotors=1, jobs=1, runs=1)
    center, stated = expected_track_noise(rotor, runs_of(rotor, f.history), None)
    np.testing.assert_allclose(center.run_var, 4.0)
    np.testing.assert_allclose(center.reading_var, 4.0)
    assert not stated.any()


def test_a_regime_without_a_limit_is_expected_to_be_like_those_with_one() -> None:
    rotor = invented_rotor(sensors=1)
    limits = (Limit(None, 30.0, "regime 1"), Limit(None, 20.0, "regime 3"))
    rotor = replace(rotor, limits=(*rotor.limits, *limits))
    assert expected_sds(rotor) == pytest.approx([1.5, 1.25, 1.0])


@pytest.mark.parametrize(("unit", "sd"), [("mm", 1.0), ("cm", 0.1), ("in", 0.04), ("Inch", 0.04)])
def test_without_a_track_limit_a_known_unit_has_its_number(unit: str, sd: float) -> None:
    assert expected_sds(replace(invented_rotor(sensors=1), track_unit=unit)) == [sd] * 3


def test_in_any_other_unit_heights_or_the_chart_give_the_size() -> None:
    rotor = replace(invented_rotor(sensors=1), track_unit="divisions")
    f = fleet(np.random.default_rng(2), rotor, rotors=1, jobs=1, runs=1)
    rms = np.sqrt((f.history.track["height"] ** 2).mean())
    assert expected_sds(rotor) == pytest.approx([0.2 * rms] * 3)
    effects = np.where(np.arange(3) == 0, 0.0, np.full((3, 3), 5.0))
    chart = replace(f.chart, track_mean=effects)
    assert expected_sds(rotor, 0, chart) == pytest.approx([1.0] * 3)
    assert expected_sds(rotor, 0) == pytest.approx([0.2] * 3)


def test_the_noise_of_a_next_run_is_the_mean_of_its_inverse_chi_square() -> None:
    """Against scipy's inverse gamma law: the search finds a mode, prediction takes the mean."""
    f = fleet(np.random.default_rng(4), invented_rotor(sensors=1), rotors=2, jobs=1, runs=4)
    _, _, track = fit(f.rotor, runs_of(f.rotor, f.history), f.chart)
    assert track is not None
    rows = track.table.rows
    free = rows.live.sum(axis=0) - (rows.moved.sum(axis=0) > 0).sum(axis=1)
    before, square = 2.0, np.array([0.5, 2.0, 9.0])
    mode = (NOISE_WEIGHT * before + free * square) / (NOISE_WEIGHT + free)
    assert track.variances.center is not None
    center = replace(track.variances.center, run_var=0.0 * square, reading_var=0.0 * square + 2.0)
    found = replace(track.variances, run_var=0.0 * mode, reading_var=mode, center=center)
    told = track_noise(found, rows, np.array([False, False, True]))
    law = invgamma((TRACK_WEIGHT + free) / 2, scale=(TRACK_WEIGHT * before + free * square) / 2)
    np.testing.assert_allclose(told.reading_var[:2], law.mean()[:2], rtol=1e-12)
    assert told.reading_var[2] == mode[2]
    assert not told.run_var.any()


def test_early_predictions_of_track_hold_as_often_as_they_say() -> None:
    """Fleets of the learner's own model without limits on track, from their very first job on.

    95 % intervals; each job of a fleet counts once, so that a bad chart counts once.
    """
    held: dict[int, list[float]] = {0: [], 1: [], 2: []}
    rotor = invented_rotor(sensors=1, regimes=4)
    for seed in range(16):
        f = fleet(np.random.default_rng(900 + seed), rotor, rotors=3, jobs=1, runs=4)
        found = adapt.compare(rotor, f.history, f.chart).predictions
        found = found[found["sensor"].isna() & (found["method"] == "learned")]
        for known, (_, of_job) in enumerate(found.groupby("job", sort=False)):
            held[known].append(of_job["inside_95"].astype(bool).mean())
    for inside in held.values():
        doubt = np.std(inside) / np.sqrt(len(inside))
        assert np.mean(inside) + 2.0 * doubt > 0.95 - 0.02
        assert np.mean(inside) > 0.88
