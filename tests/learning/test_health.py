"""Rotors that no longer answer as they did stand out; healthy fleets are quiet."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_fleet import Fleet, fleet, history, invented_rotor

from adapt.blocks import by_channel
from adapt.coefficients import Coefficients
from adapt.learning.fitting.learner import fit, units_of
from adapt.learning.health import find_changes, recursive_residuals
from adapt.learning.health.cases import cases_of
from adapt.learning.health.rows import whiten, with_rest_of_fleet
from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.sequential import inputs_of
from adapt.learning.suspects.rest import RestOfLog
from adapt.level import follow_run, predict_run, start
from adapt.problems import AdaptError, BadInput

FACTOR = 0.5


def invented(seed: int, rotors: int = 8, **how: Any) -> Fleet:
    rotor = how.pop("rotor", None) or invented_rotor(4, 2, 3, 3, track=False)
    return fleet(np.random.default_rng(seed), rotor, rotors=rotors, jobs=4, runs=5, **how)


def otherwise(
    f: Fleet,
    serial: str,
    factor: complex,
    since: tuple[str, str] | None = None,
    blade: str | None = None,
    sensor: str | None = None,
    adjuster: str | None = None,
) -> Fleet:
    """Return the fleet as if some moves of a rotor had acted by another factor.

    since: (job, run), the first run whose moves did. What the moves did is the truth that the fleet
    was made with.
    """
    log, rotor = f.history, f.rotor
    row = int(serial[1:])
    started = {(x.job, x.run): n for n, x in enumerate(log.runs.itertuples())}
    names = list(rotor.adjuster_names)
    first = -1 if since is None else started[since]
    extra: dict[tuple[str, str], np.ndarray] = {}
    for job, runs in log.runs[log.runs.rotor == serial].groupby("job", sort=False):
        total = np.zeros(len(rotor.channels), dtype=complex)
        for run in runs.run:
            for move in log.moves[(log.moves.job == job)].itertuples():
                led_to = str(int(move.after_run) + 1)
                if (
                    led_to == run
                    and started[job, run] >= first
                    and blade in (None, move.blade)
                    and adjuster in (None, move.adjuster)
                ):
                    turn = np.exp(1j * rotor.psi[rotor.blades.index(move.blade)])
                    own = f.own[row, :, names.index(move.adjuster)]
                    total = total + (factor - 1.0) * own * turn * move.amount
            extra[job, run] = total
    channel = {c: j for j, c in enumerate(rotor.channels)}
    value = [
        x.value
        + (
            extra[x.job, x.run][channel[x.sensor, x.regime]]
            if (x.job, x.run) in extra and sensor in (None, x.sensor)
            else 0.0
        )
        for x in log.readings.itertuples()
    ]
    return replace(f, history=replace(log, readings=log.readings.assign(value=value)))


def looked_at(f: Fleet) -> tuple[list[dict[str, Any]], Runs, Coefficients]:
    runs = runs_of(f.rotor, f.history)
    c = fit(f.rotor, runs, f.chart)[0]
    return find_changes(f.rotor, runs, c), runs, c


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), missing=st.sampled_from([0.0, 0.4]), with_chart=st.booleans())
def test_the_prior_of_a_rotor_is_what_the_log_says_without_it(
    seed: int, missing: float, with_chart: bool
) -> None:
    f = fleet(np.random.default_rng(seed), rotors=5, jobs=2, runs=6, missing=missing)
    runs = runs_of(f.rotor, f.history)
    c, vibration, _ = fit(f.rotor, runs, f.chart if with_chart else None)
    cases = cases_of(f.rotor, runs, c, np.array([3]))
    cases = with_rest_of_fleet(cases, whiten(cases))
    _, now, _ = units_of(f.rotor, runs)
    rest = RestOfLog(vibration.table, vibration.variances, vibration.prior)
    mine = np.flatnonzero(vibration.table.rows.unit == now[3, 0])
    mean, cov = rest.without(mine, np.repeat(now[3], len(f.rotor.regimes)))
    scale = np.sqrt(np.abs(np.einsum("jaa->ja", cov)))
    # RestOfLog takes what nothing informs as 10 times the largest coefficient, this as flat.
    np.testing.assert_allclose(
        cases.mean[0].reshape(mean.shape) / scale, mean / scale, atol=1e-6 if with_chart else 1e-2
    )
    np.testing.assert_allclose(
        by_channel(cases.cov[0], 3) / (scale[:, :, None] * scale[:, None, :]),
        cov / (scale[:, :, None] * scale[:, None, :]),
        atol=1e-6 if with_chart else 1e-2,
    )


def test_the_first_innovation_of_a_rotor_is_the_prediction_of_the_level() -> None:
    f = invented(4, missing=0.2)
    runs = runs_of(f.rotor, f.history)
    c = fit(f.rotor, runs, f.chart)[0]
    found = recursive_residuals(f.rotor, runs, c)
    cases = cases_of(f.rotor, runs, c, np.array([2]))
    cases = with_rest_of_fleet(cases, whiten(cases))
    first, second = np.flatnonzero(runs.rotor == 2)[:2]
    state = start(cases.mean[0].reshape(6, 3), cases.cov[0])
    inputs = inputs_of(f.rotor, runs)
    state = follow_run(
        state, inputs.moves[first], inputs.readings[first], c.noise.reading_var, c.noise.run_var
    )
    mean, cov = predict_run(state, inputs.moves[second], c.noise.reading_var, c.noise.run_var)
    read = np.isfinite(found.innovation[second])
    assert read.sum() > 2
    error = runs.readings[second] - mean[:, 0]
    np.testing.assert_allclose(found.innovation[second][read], error[read], rtol=1e-9)
    np.testing.assert_allclose(
        found.sd[second][read], np.sqrt(cov[:, 0, 0].real / 2)[read], rtol=1e-9
    )


def test_residuals_of_a_healthy_fleet_are_white() -> None:
    f = invented(5, rotors=30)
    runs = runs_of(f.rotor, f.history)
    white = recursive_residuals(f.rotor, runs, fit(f.rotor, runs, f.chart)[0]).whitened
    size = np.abs(white[np.isfinite(white)]) ** 2
    assert len(size) == 30 * 16 * 6
    # Mean of n exponentials(1): sd 1 / sqrt(n); the variances were learned from the same log.
    assert size.mean() == pytest.approx(1.0, abs=5 / np.sqrt(len(size)))
    # A run's residual tells nothing of the next one's: products of n pairs have sd sqrt(n).
    product = white[1:] * white[:-1].conj()
    product = product[np.isfinite(product)]
    assert abs(product.mean()) < 5 / np.sqrt(len(product))


@pytest.mark.parametrize(
    ("factor", "how"), [(0.5, "weaker"), (1.6, "stronger"), (np.exp(0.6j), "turned")]
)
def test_a_rotor_that_answers_otherwise_is_found_with_run_and_way(
    factor: complex, how: str
) -> None:
    f = otherwise(invented(11), "R003", factor, since=("J003-2", "1"))
    findings, _, _ = looked_at(f)
    assert [x["rotor"] for x in findings] == ["R003"]
    found = findings[0]
    assert found["test"] == "answer changed"
    assert found["how"] == how
    assert (found["since_job"], found["since_run"]) in {
        ("J003-1", "4"), ("J003-2", "1"), ("J003-2", "2"),
    }  # fmt: skip
    assert found["factor_low"] < abs(factor) < found["factor_high"]
    assert found["angle_low"] < np.rad2deg(np.angle(factor)) < found["angle_high"]
    assert (found["sensor"], found["adjuster"], found["blade"]) == (None, None, None)
    assert found["p_value"] <= found["false_alarm_rate"] == 0.05


def test_what_changed_is_named_when_it_is_one_sensor_or_one_adjuster() -> None:
    f = otherwise(invented(12), "R001", 0.3, since=("J001-2", "1"), sensor="sensor 2")
    findings, _, _ = looked_at(f)
    assert [(x["rotor"], x["sensor"], x["how"]) for x in findings] == [
        ("R001", "sensor 2", "weaker")
    ]
    f = otherwise(invented(13), "R001", 0.3, since=("J001-2", "1"), adjuster="pitch link")
    findings, _, _ = looked_at(f)
    assert [(x["rotor"], x["adjuster"], x["how"]) for x in findings] == [
        ("R001", "pitch link", "weaker")
    ]


def test_the_blade_that_answers_less_is_named_and_is_no_change_in_time() -> None:
    f = otherwise(invented(14), "R005", 0.5, blade="3")
    findings, _, _ = looked_at(f)
    assert [(x["rotor"], x["test"], x["blade"], x["how"]) for x in findings] == [
        ("R005", "blades not alike", "3", "weaker")
    ]
    found = findings[0]
    assert found["factor_low"] < 0.5 < found["factor_high"]
    assert found["since_job"] is found["since_run"] is None
    assert "3" in found["could_be"]


def test_one_wrong_entry_is_no_change() -> None:
    f = invented(15)
    moves = f.history.moves.copy()
    wrong = (moves.job == "J002-3") & (moves.after_run == "2")
    moves.loc[wrong, "amount"] *= -1.0
    findings, _, _ = looked_at(replace(f, history=replace(f.history, moves=moves)))
    assert findings == []


def test_pairs_held_back_do_not_count() -> None:
    f = otherwise(invented(11), "R003", FACTOR, since=("J003-3", "1"))
    runs = runs_of(f.rotor, f.history)
    held = frozenset(p for p in runs.pair if p is not None and p[0] == "J003-3")
    cut = replace(runs, starts=runs.starts | np.array([p in held for p in runs.pair]))
    c = replace(fit(f.rotor, cut, f.chart)[0], withheld=held)
    white = recursive_residuals(f.rotor, runs, c).whitened
    job = np.array([runs.jobs[j] == "J003-3" for j in runs.job])
    assert np.isnan(white[job]).all()
    assert np.isfinite(white[~job & ~runs.starts]).all()


def test_a_moved_reference_is_no_drift() -> None:
    f = otherwise(invented(16), "R002", np.exp(0.8j), since=("J002-2", "1"))
    assert [x["rotor"] for x in looked_at(f)[0]] == ["R002"]
    events = history([], [], events=[("J002-1", "4", "reference moved", "", "")]).events
    f = replace(f, history=replace(f.history, events=events))
    findings, runs, c = looked_at(f)
    assert findings == []
    before = np.array([runs.jobs[j] in ("J002-0", "J002-1") for j in runs.job])
    assert np.isnan(recursive_residuals(f.rotor, runs, c).whitened[before]).all()


def test_what_answers_otherwise_after_hardware_was_changed_is_no_drift() -> None:
    f = otherwise(invented(11), "R003", FACTOR, since=("J003-2", "1"))
    findings, runs, c = looked_at(f)
    assert [x["rotor"] for x in findings] == ["R003"]
    renewed = np.array([(runs.jobs[j], n) == ("J003-2", "0") for j, n in
                        zip(runs.job, runs.names, strict=True)])  # fmt: skip
    assert renewed.sum() == 1
    assert find_changes(f.rotor, runs, c, renewed=renewed) == []


@pytest.mark.parametrize(
    ("blades", "sensors", "regimes", "adjusters", "rotors"),
    [(1, 1, 1, 1, 2), (2, 1, 1, 1, 1), (4, 2, 3, 3, 1), (3, 1, 2, 2, 3)],
)
@pytest.mark.parametrize("with_chart", [True, False])
def test_small_rotors_and_small_fleets_are_quiet(
    blades: int, sensors: int, regimes: int, adjusters: int, rotors: int, with_chart: bool
) -> None:
    rotor = invented_rotor(blades, sensors, regimes, adjusters, track=False)
    f = invented(17, rotors=rotors, rotor=rotor, missing=0.2)
    runs = runs_of(f.rotor, f.history)
    c = fit(f.rotor, runs, f.chart if with_chart else None)[0]
    assert find_changes(f.rotor, runs, c) == []


def test_one_rotor_alone_can_be_seen_to_change() -> None:
    # Its own change is in the noise that it is held against, so it must be larger than in a fleet.
    f = otherwise(invented(18, rotors=1), "R000", 0.2, since=("J000-2", "1"))
    findings, _, _ = looked_at(f)
    assert [(x["rotor"], x["how"]) for x in findings] == [("R000", "weaker")]


def test_an_empty_log_and_a_log_without_moves_have_no_findings() -> None:
    f = invented(19, rotors=2)
    empty = replace(f, history=history([], []))
    assert looked_at(empty)[0] == []
    still = replace(f, history=replace(f.history, moves=history([], []).moves))
    assert looked_at(still)[0] == []


def test_the_same_log_gives_the_same_findings() -> None:
    f = otherwise(invented(11), "R003", FACTOR, since=("J003-2", "1"))
    findings, runs, c = looked_at(f)
    assert find_changes(f.rotor, runs, c) == findings


def test_wrong_coefficients_and_rates_are_refused() -> None:
    f = invented(20, rotors=2)
    _, runs, c = looked_at(f)
    with pytest.raises(BadInput):
        find_changes(invented_rotor(5, 2, 3, 3, track=False), runs, replace(c, design="other"))
    with pytest.raises(AdaptError):
        find_changes(f.rotor, runs, c, false_alarm_rate=0.0)


def test_pairs_that_were_held_back_are_put_back_when_one_change_explains_them() -> None:
    f = otherwise(invented(21), "R003", 0.4, since=("J003-3", "2"))
    runs = runs_of(f.rotor, f.history)
    held = frozenset(("J003-3", after) for after in ("1", "2", "3"))
    cut = replace(runs, starts=runs.starts | np.array([p in held for p in runs.pair]))
    c = replace(fit(f.rotor, cut, f.chart)[0], withheld=held)
    findings = find_changes(f.rotor, runs, c)
    # The moves before run 2 cancel: the first that can have answered otherwise led to run 3.
    assert [(x["rotor"], x["since_job"], x["since_run"]) for x in findings] == [
        ("R003", "J003-3", "3")
    ]
    assert findings[0]["held_back"] == 2
    assert findings[0]["factor_low"] < 0.4 < findings[0]["factor_high"]
    assert find_changes(f.rotor, cut, c) == []


def test_wrong_entries_that_were_held_back_are_no_change() -> None:
    f = invented(22)
    moves = f.history.moves.copy()
    wrong = {("J002-3", "1"): "2", ("J002-3", "3"): "4", ("J005-2", "0"): "1"}
    for (job, after), blade in wrong.items():
        moves.loc[(moves.job == job) & (moves.after_run == after), "blade"] = blade
        moves.loc[(moves.job == job) & (moves.after_run == after), "amount"] *= -2.0
    f = replace(f, history=replace(f.history, moves=moves))
    runs = runs_of(f.rotor, f.history)
    cut = replace(runs, starts=runs.starts | np.array([p in wrong for p in runs.pair]))
    c = replace(fit(f.rotor, cut, f.chart)[0], withheld=frozenset(wrong))
    assert find_changes(f.rotor, runs, c) == []
