"""The whole learner at its variances against dense linear algebra written out from the model."""

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor
from scipy.linalg import block_diag

from adapt.effects import contrasts, harmonic_sums, track_changes
from adapt.learning import learn
from adapt.learning.fitting.fleet import Spread
from adapt.learning.fitting.learner import Learned, fit
from adapt.learning.fitting.noise import restricted_log_likelihood
from adapt.learning.rows.runs import runs_of

Dense = tuple[np.ndarray, np.ndarray, np.ndarray]


def moves_before(f: Fleet, job: str, run: str) -> np.ndarray:
    """Return the moves made between the run before and this run, (blade, adjuster)."""
    amounts = np.zeros((len(f.rotor.blades), len(f.rotor.adjusters)))
    for row in f.history.moves.itertuples():
        if row.job == job and int(row.after_run) == int(run) - 1:
            amounts[
                f.rotor.blades.index(row.blade), f.rotor.adjuster_names.index(row.adjuster)
            ] += row.amount
    return amounts


def dense_channel(
    f: Fleet, channel: int, q: float, r: float, move_var: np.ndarray | None = None
) -> list[Dense]:
    """Return for each rotor X, y and V of its runs' differences, straight from section 5's model.

    move_var: (adjuster,), what each move adds to the change to the run after it.

    Levels are integrated out by differencing against a matrix of all runs, gaps included: the
    covariance is built from the run-by-run random walk, not from a formula for gaps.
    """
    sensor, regime = f.rotor.channels[channel]
    order = f.rotor.sensor(sensor).order
    read = f.history.readings
    read = read[(read.sensor == sensor) & (read.regime == regime)]
    value = {(x.job, x.run): (x.value, x.repeats) for x in read.itertuples()}
    result = []
    for _, of_rotor in f.history.runs.groupby("rotor", sort=True):
        xs, ys, vs = [np.zeros((0, len(f.rotor.adjusters)))], [np.zeros(0)], [np.zeros((0, 0))]
        for job, of_job in of_rotor.groupby("job", sort=False):
            runs = list(of_job.run)
            walk = np.cumsum(
                [harmonic_sums(f.rotor, moves_before(f, job, k), order) for k in runs], axis=0
            )
            seen = [k for k, run in enumerate(runs) if (job, run) in value]
            if len(seen) < 2:
                continue
            lower = np.tril(np.ones((len(runs), len(runs))))[:, 1:]
            scatter = np.diag([r / value[job, runs[k]][1] for k in seen])
            steps = np.full(len(runs) - 1, q)
            if move_var is not None:
                steps += [(moves_before(f, job, k) != 0).sum(axis=0) @ move_var for k in runs[1:]]
            cov = (lower * steps @ lower.T)[np.ix_(seen, seen)] + scatter
            step = np.diff(np.eye(len(seen)), axis=0)
            xs.append(step @ walk[seen])
            ys.append(step @ np.array([value[job, runs[k]][0] for k in seen]))
            vs.append(step @ cov @ step.T)
        result.append((np.concatenate(xs), np.concatenate(ys), block_diag(*vs)))
    return result


def together(channels: list[list[Dense]]) -> list[Dense]:
    """Return for each rotor the X, y and V of a sensor's channels, one below the other."""
    return [
        tuple(
            join(part) for join, part in zip(
                (lambda xs: block_diag(*xs), np.concatenate, lambda vs: block_diag(*vs)),
                zip(*of_rotor, strict=True), strict=True,
            )
        )
        for of_rotor in zip(*channels, strict=True)
    ]  # fmt: skip


def between_rotors(learned: Learned, group: int) -> np.ndarray:
    """Return the covariance of a rotor's departures at one sensor, in the adjusters' units."""
    spread, scale = learned.variances.spread, learned.table.scale
    regimes = len(spread.rest) // learned.table.groups
    at = slice(group * regimes, (group + 1) * regimes)
    loading = np.concatenate([np.diag(x / scale) for x in spread.loading[at]])
    rest = np.diag((spread.rest[at] / scale**2).ravel())
    return loading @ spread.share[group] @ loading.conj().T + rest


def dense_posterior(
    rotors: list[Dense], between: np.ndarray, mean0: np.ndarray, precision0: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of (c, c_1, c_2, ...) by their joint precision."""
    a = len(between)
    size = a * (1 + len(rotors))
    precision = np.zeros((size, size), dtype=complex)
    right = np.zeros(size, dtype=complex)
    precision[:a, :a] += np.diag(precision0)
    right[:a] += precision0 * mean0
    apart = np.linalg.inv(between)
    for i, (x, y, v) in enumerate(rotors):
        at = slice(a * (i + 1), a * (i + 2))
        inverse = np.linalg.inv(v)
        precision[:a, :a] += apart
        precision[:a, at] -= apart
        precision[at, :a] -= apart
        precision[at, at] += apart + x.conj().T @ inverse @ x
        right[at] += x.conj().T @ inverse @ y
    cov = np.linalg.inv(precision)
    return cov @ right, cov


def near(a: np.ndarray, b: np.ndarray) -> None:
    np.testing.assert_allclose(a, b, rtol=1e-7, atol=1e-8 * np.abs(b).max())


@pytest.mark.parametrize("with_chart", [True, False])
@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_posteriors_equal_a_dense_joint_gaussian(with_chart: bool, missing: float) -> None:
    f = fleet(np.random.default_rng(3), rotors=4, jobs=2, runs=5, missing=missing)
    readings = f.history.readings.copy()
    readings["repeats"] = np.random.default_rng(4).integers(1, 4, len(readings))
    f.history = replace(f.history, readings=readings)
    chart = f.chart if with_chart else None
    coefficients, learned, _ = fit(f.rotor, runs_of(f.rotor, f.history), chart)
    q, r = learned.variances.taught_run_var, learned.variances.taught_reading_var
    regimes, adjusters = len(f.rotor.regimes), len(f.rotor.adjusters)
    size = regimes * adjusters
    for group in range(len(f.rotor.sensors)):
        channels = range(group * regimes, (group + 1) * regimes)
        rotors = together([dense_channel(f, j, q[j], r[j]) for j in channels])
        at = slice(channels.start, channels.stop)
        precision = 1 / (2 * f.chart.sd[at].ravel() ** 2) if with_chart else np.zeros(size)
        mean, cov = dense_posterior(
            rotors, between_rotors(learned, group), f.chart.mean[at].ravel(), precision
        )
        near(coefficients.type_.mean[at].ravel(), mean[:size])
        near(coefficients.type_.joint[group], cov[:size, :size])
        near(
            coefficients.unseen.joint[group],
            cov[:size, :size] + between_rotors(learned, group),
        )
        for i in range(4):
            own = coefficients.rotors[f"R{i:03d}"]
            mine = slice(size * (i + 1), size * (i + 2))
            near(own.mean[at].ravel(), mean[mine])
            near(own.joint[group], cov[mine, mine])
            near(own.cov[at][0], cov[mine, mine][:adjusters, :adjusters])


def test_moves_that_are_not_exact_make_their_steps_less_certain() -> None:
    """Against the dense model, and the variance against its definition |c|^2 amount_sd^2."""
    rotor = invented_rotor(sensors=2, regimes=2, track=False)
    tab = replace(rotor.adjusters[2], amount_sd=0.6)
    rotor = replace(rotor, adjusters=(*rotor.adjusters[:2], tab))
    f = fleet(np.random.default_rng(12), rotor, rotors=12, jobs=3, runs=5, missing=0.1)
    coefficients, learned, _ = fit(rotor, runs_of(rotor, f.history), f.chart)
    noise = coefficients.noise
    assert noise.move_var is not None
    assert (noise.move_var[:, :2] == 0).all()
    np.testing.assert_allclose(
        noise.move_var[:, 2], np.abs(coefficients.type_.mean[:, 2]) ** 2 * 0.6**2, rtol=0.1
    )
    q, r = learned.variances.taught_run_var, learned.variances.taught_reading_var
    for group in range(2):
        at = slice(2 * group, 2 * group + 2)
        rotors = together(
            [
                dense_channel(f, j, q[j], r[j], noise.move_var[j] / noise.speaking[j])
                for j in range(at.start, at.stop)
            ]
        )
        mean, cov = dense_posterior(
            rotors,
            between_rotors(learned, group),
            f.chart.mean[at].ravel(),
            1 / (2 * f.chart.sd[at].ravel() ** 2),
        )
        near(coefficients.type_.mean[at].ravel(), mean[:6])
        near(coefficients.rotors["R002"].joint[group], cov[18:24, 18:24])


def test_track_posteriors_equal_a_dense_joint_gaussian_of_all_blades() -> None:
    f = fleet(np.random.default_rng(8), rotors=3, jobs=2, runs=4)
    coefficients, _, learned = fit(f.rotor, runs_of(f.rotor, f.history), f.chart)
    assert learned is not None
    used = [1, 2]  # the chart says that hub weights do not move track
    assert (coefficients.type_.track_mean[:, 0] == 0).all()
    assert (coefficients.type_.track_cov[:, 0, 0] == 0).all()
    basis = contrasts(len(f.rotor.blades))
    regimes = len(f.rotor.regimes)
    channels = []
    for regime, name in enumerate(f.rotor.regime_names):
        q = learned.variances.taught_run_var[regime]
        r = learned.variances.taught_reading_var[regime]
        track = f.history.track[f.history.track.regime == name]
        rotors = []
        for _, of_rotor in f.history.runs.groupby("rotor", sort=True):
            xs, ys, vs = [], [], []
            for job, of_job in of_rotor.groupby("job", sort=False):
                runs = list(of_job.run)
                heights = np.array(
                    [track[(track.job == job) & (track.run == k)].height.to_numpy() for k in runs]
                )
                change = np.array(
                    [track_changes(moves_before(f, job, k))[:, used] for k in runs[1:]]
                )
                n = len(runs) - 1
                one = q * np.eye(n) + r * (2 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1))
                xs.append(np.einsum("mb,kba->kma", basis, change).reshape(-1, len(used)))
                ys.append((np.diff(heights, axis=0) @ basis.T).reshape(-1))
                vs.append(np.kron(one, np.eye(len(basis))))
            rotors.append((np.concatenate(xs), np.concatenate(ys), block_diag(*vs)))
        channels.append(rotors)
    rows = np.add.outer(3 * np.arange(regimes), used).ravel()
    mean, cov = dense_posterior(
        together(channels),
        between_rotors(learned, 0)[np.ix_(rows, rows)],
        f.chart.track_mean[:, used].ravel(),
        1 / f.chart.track_sd[:, used].ravel() ** 2,
    )
    near(coefficients.type_.track_mean[:, used].ravel(), mean[: len(rows)].real)
    own, mine = coefficients.rotors["R001"], slice(2 * len(rows), 3 * len(rows))
    near(own.track_mean[:, used].ravel(), mean[mine].real)
    near(own.track_joint[0][np.ix_(rows, rows)], cov[mine, mine].real)


def test_restricted_likelihood_differs_from_the_dense_one_by_a_constant() -> None:
    """Harville's formula for the restricted likelihood (Biometrika 61, 1974, from memory)."""
    f = fleet(np.random.default_rng(5), rotors=4, jobs=2, runs=5, missing=0.2)
    _, learned, _ = fit(f.rotor, runs_of(f.rotor, f.history))
    regimes = len(f.rotor.regimes)
    gaps = []
    for factor_q, factor_r, factor_d, factor_s in [(1, 1, 1, 1), (3, 0.5, 0.2, 2), (0.01, 2, 5, 0)]:
        v = learned.variances
        q, r = factor_q * v.run_var, factor_r * v.reading_var
        spread = Spread(factor_d * v.spread.rest, v.spread.loading, factor_s * v.spread.share)
        ours = restricted_log_likelihood(learned.table, q, r, spread, learned.prior)
        other = replace(learned, variances=replace(v, spread=spread))
        dense = []
        for group in range(len(f.rotor.sensors)):
            channels = range(group * regimes, (group + 1) * regimes)
            rotors = together([dense_channel(f, j, q[j], r[j]) for j in channels])
            x = np.concatenate([x for x, _, _ in rotors])
            y = np.concatenate([y for _, y, _ in rotors])
            between = between_rotors(other, group)
            sigma = block_diag(*[v + x @ between @ x.conj().T for x, _, v in rotors])
            inverse = np.linalg.inv(sigma)
            information = x.conj().T @ inverse @ x
            best = np.linalg.solve(information, x.conj().T @ inverse @ y)
            rest = y - x @ best
            dense.append(
                -np.linalg.slogdet(sigma)[1]
                - np.linalg.slogdet(information)[1]
                - (rest.conj() @ inverse @ rest).real
            )
        gaps.append(ours - np.array(dense))
    np.testing.assert_allclose(gaps[1], gaps[0], atol=1e-6)
    np.testing.assert_allclose(gaps[2], gaps[0], atol=1e-6)


def test_no_nearby_variances_have_a_higher_penalised_likelihood_on_a_large_fleet() -> None:
    """On a fleet large enough that what was expected of the noise hardly weighs."""
    f = fleet(np.random.default_rng(6), rotors=60, jobs=3, runs=6)
    _, learned, _ = fit(f.rotor, runs_of(f.rotor, f.history))
    v = learned.variances

    def likelihood(q: float = 1, r: float = 1, rest: float = 1) -> float:
        spread = replace(v.spread, rest=rest * v.spread.rest)
        return restricted_log_likelihood(
            learned.table, q * v.run_var, r * v.reading_var, spread, learned.prior
        ).sum()

    best = likelihood()
    assert all(likelihood(q=x) < best for x in (1.15, 1 / 1.15))
    assert all(likelihood(r=x) < best for x in (1.1, 1 / 1.1))
    assert all(likelihood(rest=x) < best for x in (1.2, 0.8))


def test_a_rotor_named_in_the_log_only_is_told_from_the_type() -> None:
    f = fleet(np.random.default_rng(7), invented_rotor(track=False), rotors=3)
    coefficients = learn(f.rotor, f.history, f.chart)
    assert coefficients.of("never seen") is coefficients.unseen
    assert (np.einsum("jaa->ja", coefficients.unseen.cov).real
            > np.einsum("jaa->ja", coefficients.type_.cov).real).all()  # fmt: skip
