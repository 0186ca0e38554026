"""Blades whose track no longer answers stand out, in track alone; healthy fleets are quiet."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor
from statsmodels.regression.recursive_ls import RecursiveLS

from adapt.effects import contrasts
from adapt.learning.fitting.learner import fit
from adapt.learning.health import find_changes
from adapt.learning.health.cases import that_count, track_cases_of
from adapt.learning.health.residuals import walk
from adapt.learning.health.rows import whiten, with_rest_of_fleet
from adapt.learning.rows.runs import runs_of, track_contrasts

ROTOR = invented_rotor(4, 1, 3, 3)


def invented(seed: int, rotors: int = 8, **how: Any) -> Fleet:
    return fleet(np.random.default_rng(seed), ROTOR, rotors=rotors, jobs=4, runs=5, **how)


def track_otherwise(
    f: Fleet, serial: str, factor: float, since_job: str = "", blade: str | None = None
) -> Fleet:
    """Return the fleet as if moves of a rotor from a job on had acted so on its track.

    Heights keep their mean; what the moves did is the truth that the fleet was made with.
    """
    log, rotor = f.history, f.rotor
    row = int(serial[1:])
    track = log.track.copy()
    names, regimes = list(rotor.adjuster_names), list(rotor.regime_names)
    for job in sorted(set(log.runs[log.runs.rotor == serial].job)):
        if job < since_job:
            continue
        moves = log.moves[(log.moves.job == job) & (blade is None or log.moves.blade == blade)]
        for n in track.index[track.job == job]:
            before = moves[moves.after_run.astype(int) < int(track.run[n])]
            own = f.track_own[row, regimes.index(track.regime[n])]
            done = [own[names.index(a)] * x for a, x in zip(before.adjuster, before.amount,
                                                            strict=True)]  # fmt: skip
            mine = sum(d for d, b in zip(done, before.blade, strict=True) if b == track.blade[n])
            track.loc[n, "height"] += (factor - 1.0) * (mine - sum(done) / len(rotor.blades))
    return replace(f, history=replace(log, track=track))


def findings(f: Fleet) -> list[dict[str, Any]]:
    runs = runs_of(f.rotor, f.history)
    return find_changes(f.rotor, runs, fit(f.rotor, runs, f.chart)[0])


def test_a_rotor_whose_track_answers_less_is_found_in_track_alone() -> None:
    found = findings(track_otherwise(invented(31), "R003", 0.4, since_job="J003-2"))
    assert [(x["rotor"], x["of"], x["test"], x["how"]) for x in found] == [
        ("R003", "track", "answer changed", "weaker")
    ]
    assert found[0]["since_job"] in ("J003-1", "J003-2")
    assert found[0]["factor_low"] < 0.4 < found[0]["factor_high"]
    assert found[0]["angle_deg"] is found[0]["sensor"] is None


def test_the_blade_whose_track_answers_less_is_named() -> None:
    found = findings(track_otherwise(invented(32), "R002", 0.3, blade="2"))
    assert [(x["rotor"], x["of"], x["test"], x["blade"]) for x in found] == [
        ("R002", "track", "blades not alike", "2")
    ]
    assert found[0]["factor_low"] < 0.3 < found[0]["factor_high"]


@pytest.mark.parametrize("seed", range(33, 37))
def test_a_healthy_fleet_with_track_is_quiet(seed: int) -> None:
    assert findings(invented(seed, missing=0.2)) == []


def test_track_residuals_of_one_regime_are_those_of_recursive_least_squares() -> None:
    # Source: statsmodels, RecursiveLS, resid_recursive, on rows made here from their covariance.
    f = fleet(np.random.default_rng(5), invented_rotor(3, 1, 1, 2), rotors=4, jobs=1, runs=6)
    runs = runs_of(f.rotor, f.history)
    c = fit(f.rotor, runs, f.chart)[0]
    cases = track_cases_of(f.rotor, that_count(runs, c, None), c, np.array([1]))
    rows = whiten(cases).sharing(1)
    cases = with_rest_of_fleet(cases, whiten(cases))
    white = walk(cases, rows, directions=False).whitened[0, 2:, 0, 0].real
    q, r = c.noise.track_run_var[0], c.noise.track_reading_var[0]
    mine = np.flatnonzero(runs.rotor == 1)
    steps = np.arange(1, len(mine))
    inverse = np.linalg.inv(
        np.linalg.cholesky(q * np.minimum.outer(steps, steps) + r * (1.0 + np.eye(len(steps))))
    )
    basis = contrasts(3)
    amounts = np.cumsum(runs.amounts[mine], axis=0)[1:]
    x = np.einsum("nk,kba,cb->nca", inverse, amounts, basis)
    read = track_contrasts(runs)[mine, 0]
    z = inverse @ (read[1:] - read[0])
    # Hub weights do nothing to track and are known not to: only what is known enters.
    known = np.flatnonzero(cases.known[0, 0, 0])
    prior = np.linalg.cholesky(np.linalg.inv(cases.cov[0, 0][np.ix_(known, known)].real)).T
    mean = cases.mean[0, 0, 0, known].real
    design = np.concatenate([prior, x.reshape(-1, 2)[:, known]])
    values = np.concatenate([prior @ mean, z.reshape(-1)])
    fitted = RecursiveLS(values, design).fit()
    expected = fitted.resid_recursive[len(known) :]
    np.testing.assert_allclose(np.abs(white), np.abs(expected), rtol=1e-6, atol=1e-6)
