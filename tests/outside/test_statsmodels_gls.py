"""The learner against statsmodels' GLS.

The covariance is that of consecutive differences that share runs: q + 2 r on the diagonal, -r
beside it. A complex model is stacked as a real one: [Re X, -Im X; Im X, Re X].
"""

import numpy as np
import statsmodels.api as sm
from invented_fleet import fleet, invented_rotor

from adapt.effects import harmonic_sums
from adapt.learning.fitting.fleet import Spread, solve_fleet
from adapt.learning.fitting.learner import fit as fit_runs
from adapt.learning.rows.runs import runs_of


def shared_run_covariance(pairs: int, q: float, r: float) -> np.ndarray:
    return (q + 2 * r) * np.eye(pairs) - r * (np.eye(pairs, k=1) + np.eye(pairs, k=-1))


def stacked(x: np.ndarray) -> np.ndarray:
    return np.block([[x.real, -x.imag], [x.imag, x.real]])


def test_the_learner_on_one_rotor_equals_statsmodels_gls_at_its_variances() -> None:
    """One rotor, one job, no chart: the rotor's posterior mean is plain GLS on its differences.

    With c flat and one rotor the spread between rotors drops out of the rotor's own coefficients.
    """
    f = fleet(np.random.default_rng(4), invented_rotor(track=False), rotors=1, jobs=1, runs=12)
    runs = runs_of(f.rotor, f.history)
    learned, vibration, _ = fit_runs(f.rotor, runs)
    q, r = vibration.variances.taught_run_var, vibration.variances.taught_reading_var
    x = harmonic_sums(f.rotor, runs.amounts[1:])
    for channel in range(len(f.rotor.channels)):
        y = np.diff(runs.readings[:, channel])
        cov = shared_run_covariance(11, q[channel], r[channel])
        theirs = sm.GLS(
            np.concatenate([y.real, y.imag]), stacked(x), sigma=np.kron(np.eye(2), cov / 2)
        ).fit()
        own = learned.rotors["R000"]
        np.testing.assert_allclose(
            np.concatenate([own.mean[channel].real, own.mean[channel].imag]),
            theirs.params,
            rtol=1e-8,
        )
        np.testing.assert_allclose(
            stacked(own.cov[channel]) / 2,
            theirs.normalized_cov_params,
            rtol=1e-8,
            atol=1e-9 * np.abs(own.cov[channel]).max(),
        )


def test_without_spread_the_type_equals_statsmodels_gls_over_the_whole_fleet() -> None:
    f = fleet(np.random.default_rng(5), invented_rotor(track=False), rotors=6, jobs=2, runs=5)
    runs = runs_of(f.rotor, f.history)
    _, vibration, _ = fit_runs(f.rotor, runs)
    v = vibration.variances
    solved = solve_fleet(
        vibration.table, v.run_var, v.reading_var,
        Spread.independent(np.zeros_like(v.spread.rest), vibration.table.groups),
        vibration.prior, vibration.known,
    )  # fmt: skip
    ends = ~runs.starts
    x = harmonic_sums(f.rotor, runs.amounts[ends])
    for channel in range(len(f.rotor.channels)):
        y = np.append(0, np.diff(runs.readings[:, channel]))[ends]
        cov = np.kron(
            np.eye(12), shared_run_covariance(4, v.run_var[channel], v.reading_var[channel])
        )
        theirs = sm.GLS(
            np.concatenate([y.real, y.imag]), stacked(x), sigma=np.kron(np.eye(2), cov / 2)
        ).fit()
        ours = solved.mean[channel] / vibration.table.scale
        np.testing.assert_allclose(np.concatenate([ours.real, ours.imag]), theirs.params, rtol=1e-8)
