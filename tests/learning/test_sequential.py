"""One pair at a time gives the batch answer."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from invented_fleet import Fleet, fleet, history, invented_rotor

from adapt.coefficients import Coefficients
from adapt.learning import learn, update
from adapt.learning.fitting.fleet import Prior, Spread, informed_directions, solve_fleet
from adapt.learning.fitting.learner import Learned, _own, fit, units_of
from adapt.learning.rows.pairs import track_rows, vibration_rows
from adapt.learning.rows.runs import runs_of
from adapt.learning.rows.table import Table
from adapt.log import History


def first_runs(log: History, job: str, runs: int) -> History:
    """Return the history with only the first runs of a job (and all other jobs)."""

    def keep(table, column="run"):
        return table[(table["job"] != job) | (table[column].astype(int) < runs)]

    return replace(
        log,
        runs=keep(log.runs),
        readings=keep(log.readings),
        track=keep(log.track),
        moves=keep(log.moves, "after_run"),
    )


def batch_at(f: Fleet, kept: Coefficients, before: History) -> dict[str, tuple[np.ndarray, ...]]:
    """Return the batch posteriors of the whole history at the variances learned from `before`."""
    _, vibration, track = fit(f.rotor, runs_of(f.rotor, before), f.chart)
    runs = runs_of(f.rotor, f.history)
    unit, _, units = units_of(f.rotor, runs)
    noise = kept.noise
    extra = noise.run_var_after(runs.moved) / noise.run_var - 1
    rows = [vibration_rows(f.rotor, runs, runs.starts, unit, units, extra)]
    if track is not None:
        extra = noise.track_run_var_after(runs.moved) / noise.track_run_var - 1
        rows.append(track_rows(f.rotor, runs, runs.starts, extra))
    solved = []
    for old, new in zip((vibration, track), rows, strict=False):
        table = Table.of(new, old.prior.fixed, old.table.groups)
        ratio = table.scale / old.table.scale
        prior = Prior(old.prior.mean * ratio, old.prior.var * ratio**2)
        was = old.variances.spread
        spread = Spread(was.rest * ratio**2, was.loading * ratio, was.share)
        known = informed_directions(table, prior)
        fleet_ = solve_fleet(
            table,
            old.variances.taught_run_var,
            old.variances.taught_reading_var,
            spread,
            prior,
            known,
        )
        variances = replace(old.variances, spread=spread)
        solved.append(Learned(table, variances, prior, known, fleet_, old.correlation))
    return {
        serial: (
            *_own(solved[0], np.full(len(f.rotor.sensors), i)),
            *(_own(solved[1], np.array([i])) if track else (None, None)),
        )
        for i, serial in enumerate(runs.serials)
    }


def close(a: np.ndarray, b: np.ndarray) -> None:
    np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-9 * np.nanmax(np.abs(b), initial=1e-30))


@settings(max_examples=8, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    missing=st.sampled_from([0.0, 0.25, 0.6]),
    known=st.integers(1, 5),
    order=st.sampled_from([1, 2]),
    inexact=st.sampled_from([0.0, 0.4]),
)
def test_update_equals_the_batch_answer_at_the_same_variances(
    seed: int, missing: float, known: int, order: int, inexact: float
) -> None:
    rotor = invented_rotor(sensors=2, regimes=2)
    tab = replace(rotor.adjusters[2], amount_sd=inexact)
    rotor = replace(rotor, adjusters=(*rotor.adjusters[:2], tab))
    rotor = replace(rotor, sensors=(rotor.sensors[0], replace(rotor.sensors[1], order=order)))
    f = fleet(np.random.default_rng(seed), rotor, rotors=3, jobs=2, runs=6, missing=missing)
    before = first_runs(f.history, "J001-1", known)
    start = learn(f.rotor, before, f.chart)
    assume(not start.withheld)
    updated = update(start, f.rotor, f.history, look=False)
    mean, cov, track_mean, track_cov = batch_at(f, start, before)["R001"]
    own = updated.rotors["R001"]
    close(own.mean, mean)
    close(own.joint, cov)
    close(own.track_mean, track_mean)
    close(own.track_joint, track_cov)
    whole, _, _ = fit(f.rotor, runs_of(f.rotor, f.history), f.chart)
    assert updated.taught == whole.taught
    assert (own.pairs == whole.rotors["R001"].pairs).all()
    assert (own.track_pairs == whole.rotors["R001"].track_pairs).all()


def test_pairs_one_by_one_equal_all_at_once() -> None:
    f = fleet(np.random.default_rng(2), rotors=3, jobs=2, runs=6, missing=0.3)
    start = learn(f.rotor, first_runs(f.history, "J002-1", 1), f.chart)
    together = update(start, f.rotor, f.history, look=False)
    one = start
    for known in range(2, 7):
        one = update(one, f.rotor, first_runs(f.history, "J002-1", known), look=False)
    close(one.rotors["R002"].mean, together.rotors["R002"].mean)
    close(one.rotors["R002"].cov, together.rotors["R002"].cov)
    assert one.taught == together.taught
    assert (one.rotors["R002"].pairs == together.rotors["R002"].pairs).all()


def test_a_log_that_is_known_changes_nothing() -> None:
    f = fleet(np.random.default_rng(2), rotors=3)
    start = learn(f.rotor, f.history, f.chart)
    again = update(start, f.rotor, f.history)
    for serial, own in start.rotors.items():
        np.testing.assert_array_equal(again.rotors[serial].mean, own.mean)
        np.testing.assert_array_equal(again.rotors[serial].cov, own.cov)


def test_a_rotor_new_to_the_fleet_starts_from_the_unseen_one() -> None:
    f = fleet(np.random.default_rng(9), rotors=4, jobs=1, runs=5)
    start = learn(f.rotor, only(f.history, {"R000", "R001", "R002"}), f.chart)
    updated = update(start, f.rotor, f.history)
    assert set(updated.rotors) == {"R000", "R001", "R002", "R003"}
    own, unseen = updated.rotors["R003"], start.unseen
    assert np.einsum("jaa->j", own.cov).real.sum() < np.einsum("jaa->j", unseen.cov).real.sum()
    np.testing.assert_array_equal(updated.type_.mean, start.type_.mean)


def test_a_reference_moved_since_starts_the_rotor_again_from_the_fleet() -> None:
    f = fleet(np.random.default_rng(9), rotors=3, jobs=2, runs=4)
    events = history([], [], events=[("J001-0", "3", "reference moved", "", "")]).events
    moved = replace(f.history, events=events)
    before = first_runs(moved, "J001-1", 1)
    start = learn(f.rotor, replace(before, events=f.history.events), f.chart)
    updated = update(start, f.rotor, before)
    # By how far it was turned is not known: the mean of exp(i angle) for a sd of 30 deg.
    rho = np.exp(-0.5 * np.deg2rad(30.0) ** 2)
    close(updated.rotors["R001"].mean, rho * start.unseen.mean)
    close(updated.rotors["R000"].mean, start.rotors["R000"].mean)
    close(updated.rotors["R001"].track_mean, start.rotors["R001"].track_mean)


def only(log: History, serials: set[str]) -> History:
    """Return the history of some rotors."""
    runs = log.runs[log.runs.rotor.isin(serials)]
    jobs = set(runs.job)
    return replace(
        log,
        runs=runs,
        readings=log.readings[log.readings.job.isin(jobs)],
        track=log.track[log.track.job.isin(jobs)],
        moves=log.moves[log.moves.job.isin(jobs)],
    )


@pytest.mark.parametrize("blades", [1, 2])
def test_update_works_with_few_blades(blades: int) -> None:
    f = fleet(np.random.default_rng(1), invented_rotor(blades, 1, 1, 1), rotors=2, jobs=1, runs=4)
    start = learn(f.rotor, first_runs(f.history, "J001-0", 2), f.chart)
    updated = update(start, f.rotor, f.history)
    assert np.isfinite(updated.rotors["R001"].mean).all()
