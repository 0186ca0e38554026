"""A job's planning problem as plain arrays, worked out from the definition of the job alone.

Ranges by trying every step count, effects by turning the first blade's coefficient, the joint
posterior of level and coefficients by conditioning one dense Gaussian on all readings at once.
Only the values of a rotor file, a history and coefficients are taken from `adapt`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import numpy.typing as npt
from drawn_jobs import Job
from planning_problems import PlanningProblem
from scipy import stats

from adapt.planning.plan import Move

FARTHEST = 60  # steps tried each way


@dataclass(frozen=True)
class Variable:
    """One adjuster on one blade, and the step counts it may move."""

    blade: int
    adjuster: int
    step: float
    steps: tuple[int, ...]


def variables_of(job: Job) -> list[Variable]:
    """Return what can be moved: from outside its range only towards it, else staying inside."""
    fitted = job.fitted + job.moves.sum(axis=0)
    found = []
    for b, blade in enumerate(job.rotor.blades):
        for a, adjuster in enumerate(job.rotor.adjusters):
            if adjuster.blades is not None and blade not in adjuster.blades:
                continue
            low, high = adjuster.fitted_range
            slack = 1e-6 * adjuster.step
            most = np.inf if adjuster.largest_move is None else adjuster.largest_move + slack
            allowed = []
            for n in range(-FARTHEST, FARTHEST + 1):
                amount = n * adjuster.step
                after = fitted[b, a] + amount
                inside = low - slack <= after <= high + slack
                from_above = fitted[b, a] > high + slack and n < 0 and after >= low - slack
                from_below = fitted[b, a] < low - slack and n > 0 and after <= high + slack
                if n == 0 or (abs(amount) <= most and (inside or from_above or from_below)):
                    allowed.append(n)
            if len(allowed) > 1:
                found.append(Variable(b, a, adjuster.step, tuple(allowed)))
    return found


def arrays_of(job: Job, most_moves: int | None, hedged: bool) -> PlanningProblem:
    """Return the problem of a job of one run for the reference solvers."""
    rotor, posterior = job.rotor, job.coefficients.unseen
    variables = variables_of(job)
    psi = np.deg2rad(
        360.0 * np.arange(len(rotor.blades)) / len(rotor.blades)
        if rotor.azimuth_deg is None
        else np.array(rotor.azimuth_deg)
    )
    rows = []
    for j, (sensor, regime) in enumerate(rotor.channels):
        limit = rotor.limit_for(sensor, regime)
        if limit is None:
            continue
        n = rotor.sensor(sensor).order
        x = np.zeros((len(rotor.adjusters), len(variables)), dtype=complex)
        for i, v in enumerate(variables):
            x[v.adjuster, i] = v.step * np.exp(1j * n * psi[v.blade])
        hedge = (x.T @ posterior.cov[j] @ x.conj()).real
        rows.append(
            (job.values[-1, j], posterior.mean[j] @ x, limit.limit, hedge, limit.only_inside)
        )
    tracks = []
    for g, regime in enumerate(rotor.regime_names if rotor.has_track else ()):
        limit = rotor.limit_for(None, regime)
        if limit is None:
            continue
        blades, count = len(rotor.blades), len(variables)
        own = np.zeros((blades, len(rotor.adjusters), count))
        for i, v in enumerate(variables):
            own[v.blade, v.adjuster, i] = v.step
        apart = own[:, None] - own[None, :]
        hedge = np.einsum("pqai,ac,pqck->pqik", apart, posterior.track_cov[g], apart)
        lift = np.einsum("bai,a->bi", own, posterior.track_mean[g])
        lift = lift - lift.mean(axis=0)
        tracks.append((job.heights[-1, g], lift, limit.limit, hedge, limit.only_inside))
    linear, low, high = _sums(job, variables)
    count, blades = len(variables), len(rotor.blades)
    factor = 1.0 if hedged else 0.0
    return PlanningProblem(
        lower=np.array([float(v.steps[0]) for v in variables]),
        upper=np.array([float(v.steps[-1]) for v in variables]),
        level=np.array([r[0] for r in rows], dtype=complex),
        column=np.array([r[1] for r in rows], dtype=complex).reshape(len(rows), count),
        limit=np.array([r[2] for r in rows]),
        hedge=factor * np.array([r[3] for r in rows]).reshape(len(rows), count, count),
        only_inside=np.array([r[4] for r in rows], dtype=bool),
        heights=np.array([t[0] for t in tracks]).reshape(len(tracks), blades),
        track_column=np.array([t[1] for t in tracks]).reshape(len(tracks), blades, count),
        track_limit=np.array([t[2] for t in tracks]),
        track_hedge=factor
        * np.array([t[3] for t in tracks]).reshape(len(tracks), blades, blades, count, count),
        track_only_inside=np.array([t[4] for t in tracks], dtype=bool),
        linear=linear,
        linear_low=low,
        linear_high=high,
        most_moves=most_moves,
    )


def _sums(
    job: Job, variables: list[Variable]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Sums over the blades of one adjuster, and over the adjusters of one blade, in amounts."""
    rotor, moved = job.rotor, job.moves.sum(axis=0)
    fitted = job.fitted + moved
    rows, low, high = [], [], []

    def add(row: npt.NDArray[np.float64], down: float, up: float) -> None:
        if row.any():
            slack = 1e-6 * row[row > 0].min()
            rows.append(row)
            low.append(min(down, 0.0) - slack)  # what is outside may only come nearer
            high.append(max(up, 0.0) + slack)

    for a, adjuster in enumerate(rotor.adjusters):
        if adjuster.sum_range is not None:
            row = np.array([v.step if v.adjuster == a else 0.0 for v in variables])
            so_far = moved[:, a].sum()
            add(row, adjuster.sum_range[0] - so_far, adjuster.sum_range[1] - so_far)
    for shared in rotor.shared_ranges:
        columns = [a for a, x in enumerate(rotor.adjusters) if x.name in shared.adjusters]
        for b in range(len(rotor.blades)):
            held = [v.step if v.blade == b and v.adjuster in columns else 0.0 for v in variables]
            total = fitted[b, columns].sum()
            add(np.array(held), shared.fitted_range[0] - total, shared.fitted_range[1] - total)
    return np.array(rows).reshape(len(rows), len(variables)), np.array(low), np.array(high)


def steps_of(job: Job, moves: tuple[Move, ...]) -> npt.NDArray[np.int64]:
    """Return a plan's moves as step counts of `variables_of`; KeyError when one cannot move."""
    variables = variables_of(job)
    place = {(v.blade, v.adjuster): i for i, v in enumerate(variables)}
    steps = np.zeros(len(variables), dtype=np.int64)
    for move in moves:
        key = job.rotor.blades.index(move.blade), job.rotor.adjuster_names.index(move.adjuster)
        at = place[key]
        count = move.amount / variables[at].step
        assert abs(count - round(count)) < 1e-6
        assert round(count) in variables[at].steps
        steps[at] = round(count)
    return steps


def conditioned(
    readings: npt.NDArray[np.generic],
    design: npt.NDArray[np.generic],
    noise: npt.NDArray[np.generic],
    prior_mean: npt.NDArray[np.generic],
    prior_cov: npt.NDArray[np.generic],
    fresh: npt.NDArray[np.generic],
    shared: npt.NDArray[np.generic],
    own: npt.NDArray[np.generic],
) -> tuple[npt.NDArray[np.generic], npt.NDArray[np.generic]]:
    """Return mean and covariance of (new, coefficients) given readings; the first levels are flat.

    readings = design @ (levels, coefficients) + noise; new = fresh @ (levels, coefficients) + more
    noise, of covariance `own` and of covariance `shared` (reading, new) with that of the readings.
    """
    flat = design.shape[1] - len(prior_mean)
    inverse = np.linalg.inv(noise)
    precision = design.conj().T @ inverse @ design
    pull = design.conj().T @ inverse @ readings
    known = np.linalg.inv(prior_cov)
    precision[flat:, flat:] += known
    pull[flat:] += known @ prior_mean
    cov = np.linalg.inv(precision)
    mean = cov @ pull
    eye = np.eye(design.shape[1])[flat:]
    weight = shared.conj().T @ inverse
    target = np.concatenate([fresh - weight @ design, eye])
    rest = np.zeros((len(target), len(target)), dtype=cov.dtype)
    rest[: len(fresh), : len(fresh)] = own - weight @ shared
    given = np.concatenate([weight @ readings, np.zeros(len(eye))])
    return given + target @ mean, target @ cov @ target.conj().T + rest


@dataclass(frozen=True, eq=False)
class Chances:
    """Chances of many plans (plan, variable) by enumeration's own means."""

    job: Job
    variables: list[Variable]
    vibration: list[tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128], int, float]]
    track: list[tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], int, float]]

    def amplitudes(self, plans: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return the chance of each limited amplitude, shape (plan, row)."""
        found = []
        for mean, cov, j, limit in self.vibration:
            sensor = self.job.rotor.sensor(self.job.rotor.channels[j][0])
            psi = self.job.rotor.psi
            x = np.zeros((len(plans), len(self.job.rotor.adjusters)), dtype=complex)
            inexact = np.zeros(len(plans))
            for i, v in enumerate(self.variables):
                x[:, v.adjuster] += plans[:, i] * v.step * np.exp(1j * sensor.order * psi[v.blade])
                power = abs(mean[1 + v.adjuster]) ** 2 + cov[1 + v.adjuster, 1 + v.adjuster].real
                spread = self.job.rotor.adjusters[v.adjuster].amount_sd ** 2
                inexact += (plans[:, i] != 0) * power * spread
            h = np.concatenate([np.ones((len(plans), 1)), x], axis=1)
            var = np.einsum("pa,ab,pb->p", h, cov, h.conj()).real + inexact
            square = np.abs(h @ mean) ** 2
            found.append(stats.ncx2.cdf(2.0 * limit**2 / var, df=2, nc=2.0 * square / var))
        return np.array(found).reshape(len(found), len(plans)).T

    def heights(
        self, plan: npt.NDArray[np.int64]
    ) -> list[tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], float]]:
        """Return mean, covariance (over blades, as differences from the first) and limit."""
        n, kinds = len(self.job.rotor.blades), len(self.job.rotor.adjusters)
        amount = np.zeros((n, kinds))
        inexact = np.zeros((n, kinds))
        for i, v in enumerate(self.variables):
            amount[v.blade, v.adjuster] += plan[i] * v.step
            inexact[v.blade, v.adjuster] += (plan[i] != 0) * self.job.rotor.adjusters[
                v.adjuster
            ].amount_sd ** 2
        found = []
        for mean, cov, _, limit in self.track:
            h = np.concatenate([np.eye(n - 1), amount[1:] - amount[:1]], axis=1)
            power = mean[n - 1 :] ** 2 + np.diag(cov)[n - 1 :]
            own = inexact @ power
            extra = np.diag(own[1:]) + own[0]
            found.append((h @ mean, h @ cov @ h.T + extra, limit))
        return found

    def spreads(self, plan: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return the chance of each limited spread of one plan, shape (regime,)."""
        return np.array([rectangles(*found) for found in self.heights(plan)])


def rectangles(mean: npt.NDArray[np.float64], cov: npt.NDArray[np.float64], limit: float) -> float:
    """Return P(spread <= limit) of blades given by their differences from the first.

    Whichever blade is lowest, the others are 0 to limit above it: one rectangle of a multivariate
    normal for each blade (scipy.stats.multivariate_normal; exact normal law for two blades).
    """
    n = len(mean) + 1
    if n == 2:
        sd = float(np.sqrt(cov[0, 0]))
        return float(
            stats.norm.cdf((limit - mean[0]) / sd) - stats.norm.cdf((-limit - mean[0]) / sd)
        )
    whole = np.concatenate([np.zeros((1, n - 1)), np.eye(n - 1)])
    total = 0.0
    for lowest in range(n):
        turn = np.delete(whole - whole[lowest], lowest, axis=0)
        law = stats.multivariate_normal(
            turn @ mean, turn @ cov @ turn.T, maxpts=400_000, abseps=1e-7, releps=1e-7, seed=1
        )
        total += float(law.cdf(np.full(n - 1, limit), lower_limit=np.zeros(n - 1)))
    return total


def chances_of(job: Job) -> Chances:
    """Return the joint posterior of a job's next readings and coefficients, channel by channel."""
    rotor, posterior, noise = job.rotor, job.coefficients.unseen, job.coefficients.noise
    kinds, n = len(rotor.adjusters), len(rotor.blades)
    made = np.concatenate([np.zeros((1, n, kinds)), job.moves.cumsum(axis=0)])
    vibration, track = [], []
    for j, (sensor, regime) in enumerate(rotor.channels):
        limit = rotor.limit_for(sensor, regime)
        if limit is None:
            continue
        turn = np.exp(1j * rotor.sensor(sensor).order * rotor.psi)
        read = np.flatnonzero(~np.isnan(job.values[:, j]))
        x = np.einsum("b,kba->ka", turn, made)
        q, r = noise.run_var[j], noise.reading_var[j]
        walk = q * np.minimum.outer(read - read[0], read - read[0])
        end = len(made) - 1 + 1 - read[0]
        mean, cov = conditioned(
            job.values[read, j],
            np.concatenate([np.ones((len(read), 1)), x[read]], axis=1),
            (walk + r * np.eye(len(read))).astype(complex),
            posterior.mean[j],
            posterior.cov[j],
            np.concatenate([[1.0], x[-1]])[None],
            (q * (read - read[0]))[:, None].astype(complex),
            np.array([[q * end + r]], dtype=complex),
        )
        vibration.append((mean, cov, j, limit.limit))
    for g, regime in enumerate(rotor.regime_names if rotor.has_track else ()):
        limit = rotor.limit_for(None, regime)
        if limit is None:
            continue
        read = np.flatnonzero(~np.isnan(job.heights[:, g]).any(axis=1))
        q, r = noise.track_run_var[g], noise.track_reading_var[g]
        apart = np.eye(n - 1) + 1.0  # of differences from the first blade, per unit variance
        gap = (read - read[0]).astype(float)
        x = made[:, 1:] - made[:, :1]
        design = np.concatenate([np.concatenate([np.eye(n - 1), x[k]], axis=1) for k in read])
        mean, cov = conditioned(
            (job.heights[read, g, 1:] - job.heights[read, g, :1]).ravel(),
            design,
            np.kron(q * np.minimum.outer(gap, gap) + r * np.eye(len(read)), apart),
            posterior.track_mean[g],
            posterior.track_cov[g],
            np.concatenate([np.eye(n - 1), x[-1]], axis=1),
            np.kron(q * gap[:, None], apart),
            (q * (len(made) - read[0]) + r) * apart,
        )
        track.append((mean, cov, g, limit.limit))
    return Chances(job, variables_of(job), vibration, track)


def every_plan(job: Job, moves: int) -> npt.NDArray[np.int64]:
    """Return all allowed plans of exactly so many moves, shape (plan, variable)."""
    variables = variables_of(job)
    linear, low, high = _sums(job, variables)
    found = [np.zeros((0, len(variables)), dtype=np.int64)]
    for moved in combinations(range(len(variables)), moves):
        grid = list(product(*([s for s in variables[i].steps if s] for i in moved)))
        plans = np.zeros((len(grid), len(variables)), dtype=np.int64)
        plans[:, list(moved)] = np.array(grid, dtype=np.int64).reshape(len(grid), moves)
        sums = plans @ linear.T
        found.append(plans[((sums >= low) & (sums <= high)).all(axis=1)])
    return np.concatenate(found)
