"""Entries that are probably wrong: every usual mistake weighed against "as entered".

For each job, each mistake that people really make is put into the log in turn and the whole job's
readings, all channels together, say how likely they are under it. Coefficients come from
everything but the job itself, so a wrong pair cannot speak for itself. What is found is reported;
nothing in the log is changed. Which mistakes there are stands in `mistakes`.

Only steps and runs that fit badly as entered are looked at: a score test of a free shift there,
summed over channels, tells which.

Model of one channel of a job, runs k = 0..K: y = level + M c + e, level flat at the first run,
with run-to-run change q (a step may be a gust: q times GUST with probability GUST_SHARE) and
scatter r (a reading may be rough: r times ROUGH with probability ROUGH_SHARE); c ~ N(mean, cov).
So y - M mean has covariance S = r 1 + q W + M cov M' beside the flat level, whose limit is exact:
precision S^-1 - u u' / (1'u) with u = S^-1 1, and log(1'u) added to log det S (Harville,
Biometrika 61 (1974) 383, from memory). Channels are not independent (a gust moves many at once), so
log-likelihoods are scaled by the share of the channels that speaks for itself (magnitude adjustment
of a composite likelihood: Ribatet, Cooley and Davison, Statistica Sinica 22 (2012) 813, from
memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from adapt.effects import contrasts, harmonic_sums
from adapt.learning.mistakes import AS_ENTERED, Mistake, mistakes_of_moves, mistakes_of_readings
from adapt.learning.runs import Runs
from adapt.rotor import Rotor

__all__ = ["Known", "Suspect", "find_suspects"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

GUST, GUST_SHARE = 9.0, 0.08  # a step whose change is three times as large, and how often
ROUGH, ROUGH_SHARE = 64.0, 0.005  # a reading eight times as uncertain, and how often
WILD, WILD_PRIOR = 400.0, 0.004  # a step that nothing explains
LISTED = 0.02  # explanations less probable than this are not listed
LOOK_STEP, LOOK_RUN = 1.2, 6.0  # sds of the summed score of a step; score of one reading


@dataclass(frozen=True, eq=False)
class Known:
    """What the rest of the log says of a rotor: coefficients (channel, adjuster) and noise."""

    mean: Array
    cov: Array
    run_var: Real
    reading_var: Real
    track_mean: Real
    track_cov: Real
    track_run_var: Real
    track_reading_var: Real
    share: float


@dataclass(frozen=True, eq=False)
class Suspect:
    """One suspect entry. steps: (run,) row numbers of the runs whose pairs it touches.

    probability: that anything but "as entered" is true of them. explanations: likeliest first.
    row: the run it stands in; first: the first run of the segment that it was looked for in.
    """

    row: int
    first: int
    steps: tuple[int, ...]
    kind: str
    probability: float
    explanations: tuple[tuple[Mistake, float], ...]

    @property
    def best(self) -> Mistake:
        """Return the likeliest explanation."""
        return self.explanations[0][0]


def find_suspects(
    rotor: Rotor, runs: Runs, rows: Whole, known: Known, least: float = 0.5
) -> list[Suspect]:
    """Return the suspect entries of one segment of a job, at or over a probability of `least`.

    rows: (run,) positions of the segment's runs, in order. After the likeliest mistake is found the
    others are weighed beside it, until no further one is likely. Pairs that somebody looked at and
    found right are not looked at again.
    """
    if len(rows) < 2:
        return []
    segment = _Segment.of(rotor, runs, rows)
    found: list[Suspect] = []
    taken = set(np.flatnonzero(runs.kept[rows]).tolist())
    for _ in range(2 * len(rows)):
        pool, weights = _weigh(segment, known, taken)
        likely = _likeliest(pool, weights, rows, least)
        if likely is None:
            break
        found.append(likely)
        segment = segment.corrected(likely.best)
        taken |= likely.best.touches
    return found


def _likeliest(pool: Sequence[Mistake], weights: Real, rows: Whole, least: float) -> Suspect | None:
    """Return the suspect of the likeliest mistake that is likelier than what is entered."""
    looked: set[frozenset[int]] = set()
    for best in np.argsort(-weights, kind="stable").tolist():
        touches = pool[best].touches
        if pool[best].kind == AS_ENTERED or touches in looked:
            continue
        looked.add(touches)
        suspect = _suspect(pool, weights, best, rows)
        if suspect.probability >= least:
            return suspect
    return None


def _suspect(pool: Sequence[Mistake], weights: Real, best: int, rows: Whole) -> Suspect:
    """Weigh the mistakes that touch the same pairs as the best against "as entered" there."""
    touching = [i for i, m in enumerate(pool) if not m.touches or m.touches & pool[best].touches]
    share = np.exp(weights[touching] - logsumexp(weights[touching]))
    entered = float(share[[pool[i].kind == AS_ENTERED for i in touching]].sum())
    order = np.argsort(-share, kind="stable")
    listed = [(pool[touching[i]], float(share[i])) for i in order]
    listed = [x for x in listed if x[0].kind != AS_ENTERED and x[1] >= LISTED] or [
        (pool[best], float(share[touching.index(best)]))
    ]
    by_kind: dict[str, float] = {}
    for mistake, p in listed:
        by_kind[mistake.kind] = by_kind.get(mistake.kind, 0.0) + p
    return Suspect(
        row=int(rows[pool[best].run]),
        first=int(rows[0]),
        steps=tuple(int(rows[s]) for s in sorted(pool[best].touches)),
        kind=max(by_kind, key=lambda kind: by_kind[kind]),
        probability=1.0 - entered,
        explanations=tuple(listed),
    )


@dataclass(frozen=True, eq=False)
class _Segment:
    """A segment's readings and moves as arrays.

    readings: (run, channel); repeats likewise; heights: (run, regime, contrast); amounts: (run,
    blade, adjuster), moves that led to each run; steps: (run,) relative variance of the step to
    each run (1, or WILD where it was given up as unexplained).
    """

    rotor: Rotor
    readings: Array
    repeats: Real
    heights: Real
    amounts: Real
    steps: Real
    orders: tuple[int, ...]
    order_of: Whole

    @classmethod
    def of(cls, rotor: Rotor, runs: Runs, rows: Whole) -> _Segment:
        amounts = runs.amounts[rows].copy()
        amounts[0] = 0.0
        order = [rotor.sensor(s).order for s, _ in rotor.channels]
        orders = tuple(dict.fromkeys(order))
        heights = np.einsum("kb,rgb->rgk", contrasts(len(rotor.blades)), runs.heights[rows])
        return cls(
            rotor,
            runs.readings[rows],
            runs.repeats[rows],
            heights,
            amounts,
            np.ones(len(rows)),
            orders,
            np.array([orders.index(n) for n in order]),
        )

    def corrected(self, mistake: Mistake) -> _Segment:
        """Return the segment as it was if the mistake was made."""
        amounts, readings, steps = self.amounts, self.readings, self.steps
        if mistake.amounts is not None:
            amounts = amounts.copy()
            amounts[mistake.run] = mistake.amounts
        if mistake.readings is not None:
            readings = readings.copy()
            readings[mistake.run] = np.where(
                mistake.read_otherwise, mistake.readings, readings[mistake.run]
            )
        if mistake.wild or mistake.spread is not None:
            steps = steps.copy()
            steps[mistake.run] = WILD
        return replace(self, amounts=amounts, readings=readings, steps=steps)

    def ways(self) -> tuple[Real, Real]:
        """Return relative step variances (way, run) with no gust or one, and their log shares."""
        count = len(self.steps)
        ways, shares = [self.steps], [np.log1p(-GUST_SHARE) * (count - 1)]
        for k in range(1, count):
            if self.steps[k] == 1.0:
                gusty = self.steps.copy()
                gusty[k] = GUST
                ways.append(gusty)
                shares.append(np.log(GUST_SHARE) + np.log1p(-GUST_SHARE) * (count - 2))
        return np.array(ways), np.array(shares)

    def effects(self, amounts: Real) -> tuple[Array, Real]:
        """Return X of moves (..., blade, adjuster).

        Of vibration (..., channel, adjuster), of track (..., contrast, adjuster).
        """
        x = np.array([harmonic_sums(self.rotor, amounts, n) for n in self.orders])
        basis = contrasts(len(self.rotor.blades))
        return (
            np.moveaxis(x[self.order_of], 0, -2),
            np.einsum("kb,...ba->...ka", basis, amounts),
        )


def _weigh(segment: _Segment, known: Known, taken: set[int]) -> tuple[list[Mistake], Real]:
    """Return the mistakes worth weighing and their log posterior weights, "as entered" first.

    taken: steps that a mistake found before touches; they are not looked at again.
    """
    pool = [Mistake(AS_ENTERED, AS_ENTERED, 0, frozenset(), 0.0)]
    calm = _parts(segment, known, _walk(segment.steps)[None])
    steps = [k for k in _odd_steps(calm) if k not in taken]
    odd_runs = _odd_runs(calm[0])
    if not steps and not odd_runs:
        return pool, np.zeros(1)
    ways, log_share = segment.ways()
    walks = np.array([_walk(way) for way in ways])
    parts = _parts(segment, known, walks)

    def total(log_likelihood: Real) -> Real:
        """Mix over the ways, (..., way)."""
        return logsumexp(known.share * log_likelihood + log_share, axis=-1)

    log_rough = float(np.log(ROUGH_SHARE))
    entered = sum(part.log_density.sum(axis=1) for part in parts)
    weights = [float(total(entered))]
    for k in steps:
        moves = mistakes_of_moves(segment.rotor, segment.amounts, k)
        likelihood = _with_moves(segment, known, parts, walks, moves, k)
        pool += moves
        weights += list(total(entered + likelihood) + [m.log_prior for m in moves])
        wild = Mistake(
            "unexplained", "nothing that is usually entered wrongly explains this change", k,
            frozenset({k}), float(np.log(WILD_PRIOR)), wild=True,
        )  # fmt: skip
        pool.append(wild)
        loose = _weigh_wild(segment, known, wild)
        weights.append(loose + wild.log_prior)
    for k in odd_runs:
        readings = [
            m
            for m in mistakes_of_readings(segment.rotor, segment.readings, k)
            if not m.touches & taken
        ]
        touches = frozenset(s for s in (k, k + 1) if 0 < s < len(segment.steps))
        if readings and not touches & taken:
            rough = parts[0].with_rough_reading(k)
            odd = np.flatnonzero(parts[0].scores()[1][k] > LOOK_RUN)
            for j in odd:
                pool.append(Mistake(AS_ENTERED, "a rough reading", k, touches, log_rough))
                weights.append(float(total(entered + rough[j])) + log_rough)
            likelihood = parts[0].with_readings(segment.readings, readings, k)
            pool += readings
            weights += list(total(entered + likelihood) + [m.log_prior for m in readings])
    return pool, np.array(weights)


def _weigh_wild(segment: _Segment, known: Known, wild: Mistake) -> float:
    """Log likelihood when one step is left unexplained."""
    loose = segment.corrected(wild)
    ways, log_share = loose.ways()
    walks = np.array([_walk(way) for way in ways])
    total = sum(part.log_density.sum(axis=1) for part in _parts(loose, known, walks))
    return float(logsumexp(known.share * total + log_share + np.log1p(-GUST_SHARE)))


def _parts(segment: _Segment, known: Known, walks: Real) -> list[_Part]:
    """Return the segment's vibration channels, and each contrast of its track, as entered."""
    x, lift = segment.effects(segment.amounts)
    parts = [_Part.of_vibration(segment, known, np.cumsum(x, axis=0), walks)]
    if segment.heights.shape[2] and not np.isnan(known.track_run_var).all():
        parts += [
            _Part.of_track(segment, known, np.cumsum(lift[:, c], axis=0), walks, c)
            for c in range(lift.shape[1])
        ]
    return parts


@dataclass(frozen=True, eq=False)
class _Part:
    """Channels of one kind under each way: all vibration channels, or one contrast of track.

    m: (channel, run, adjuster) summed moves; mean, cov: of the coefficients; error: (channel, run),
    0 where not read; read: (channel, run); noise: covariance without moves, (way, channel, run,
    run), identity where not read; precision: (way, channel, run, run); log_density: (way, channel);
    reading_var: (channel, run). half: 1 for complex circular errors, 1/2 for real ones.
    """

    m: Array
    mean: Array
    cov: Array
    error: Array
    read: npt.NDArray[np.bool_]
    noise: Array
    precision: Array
    reading_var: Real
    log_density: Real
    half: float

    @classmethod
    def of_vibration(cls, segment: _Segment, known: Known, moves: Array, walks: Real) -> _Part:
        noise = known.reading_var[:, None] / segment.repeats.T
        return cls._of(
            np.moveaxis(moves, 0, 1), segment.readings.T, known.mean, known.cov, noise,
            known.run_var, walks, 1.0,
        )  # fmt: skip

    @classmethod
    def of_track(
        cls, segment: _Segment, known: Known, moves: Real, walks: Real, contrast: int
    ) -> _Part:
        heights = segment.heights[:, :, contrast].T
        noise = np.repeat(known.track_reading_var[:, None], heights.shape[1], axis=1)
        m = np.broadcast_to(moves, (len(heights), *moves.shape))
        return cls._of(
            m, heights, known.track_mean, known.track_cov, noise, known.track_run_var, walks, 0.5
        )

    @classmethod
    def _of(
        cls,
        m: Array,
        values: Array,
        mean: Array,
        cov: Array,
        reading_var: Real,
        run_var: Real,
        walks: Real,
        half: float,
    ) -> _Part:
        read = ~np.isnan(values)
        error = np.where(read, values - np.einsum("jka,ja->jk", m, mean), 0.0)
        eye = np.eye(error.shape[1])
        base = reading_var[:, :, None] * eye
        noise = base[None] + walks[:, None] * run_var[None, :, None, None]
        both = read[:, :, None] & read[:, None, :]
        noise = np.where(both, noise, 0.0) + eye * ~read[:, :, None]
        moved = np.where(both, m @ cov @ np.swapaxes(m.conj(), 1, 2), 0.0)
        precision, log_det = _flat_level(noise + moved, read)
        part = cls(m, mean, cov, error, read, noise, precision, reading_var, np.zeros(0), half)
        return replace(part, log_density=part.density(precision, log_det, error))

    def density(self, precision: Array, log_det: Real, error: Array) -> Real:
        """Log density without constants, (..., channel), of errors (..., channel, run)."""
        pe = (precision @ error[..., None])[..., 0]
        return np.asarray(-self.half * (log_det + (error.conj() * pe).sum(axis=-1).real))

    def scores(self) -> tuple[Real, Real]:
        """Score tests of a free shift from each run on (run, channel) and in each reading.

        Each ~ chi-square with 2 half degrees of freedom, halved by `half`: mean `half` for complex
        and real errors alike after scaling.
        """
        p, e = self.precision[0], self.error
        pe = (p @ e[:, :, None])[:, :, 0]
        tail = np.cumsum(pe[:, ::-1], axis=1)[:, ::-1]
        corner = np.cumsum(np.cumsum(p[:, ::-1, ::-1], axis=1), axis=2)[:, ::-1, ::-1]
        power = np.einsum("jkk->jk", corner).real
        step = np.abs(tail) ** 2 / np.maximum(power, 1e-300)
        own = np.abs(pe) ** 2 / np.maximum(np.einsum("jkk->jk", p).real, 1e-300)
        return step.T, np.where(self.read, own, 0.0).T

    def with_rough_reading(self, run: int) -> Real:
        """Change of log density when a reading of one run is rough, (channel, way)."""
        pe = np.einsum("wjkl,jl->wjk", self.precision, self.error)[:, :, run]
        own = self.precision[:, :, run, run].real
        extra = (ROUGH - 1.0) * self.reading_var[:, run]
        grown = 1.0 + extra * own
        return np.asarray(-self.half * (np.log(grown) - extra * np.abs(pe) ** 2 / grown)).T

    def with_readings(self, readings: Array, mistakes: Sequence[Mistake], run: int) -> Real:
        """Change of log density for other readings of one run, (mistake, way)."""
        other = np.array([np.where(m.read_otherwise, m.readings, readings[run]) for m in mistakes])
        change = np.where(self.read[:, run], other - readings[run], 0.0)
        pe = np.einsum("wjkl,jl->wjk", self.precision, self.error)[:, :, run]
        own = self.precision[:, :, run, run].real
        cross = 2.0 * np.einsum("mj,wj->mw", change.conj(), pe).real
        return np.asarray(-self.half * (cross + (np.abs(change) ** 2) @ own.T))


def _odd_steps(parts: Sequence[_Part]) -> list[int]:
    """Return the steps that fit badly: their summed score is well above what noise gives."""
    score = sum(2.0 * part.half * part.scores()[0].sum(axis=1) for part in parts)
    freedom = sum(
        (2.0 * part.half * part.read.any(axis=1)).sum() for part in parts
    )  # chi-square degrees of freedom over all channels
    score = np.asarray(score)
    high = score > freedom + LOOK_STEP * np.sqrt(2.0 * freedom)
    return [int(k) for k in np.flatnonzero(high) if k > 0]


def _odd_runs(part: _Part) -> list[int]:
    """Return the runs with a reading that fits badly by itself."""
    _, own = part.scores()
    return [int(k) for k in np.flatnonzero((own > LOOK_RUN).any(axis=1))]


def _with_moves(
    segment: _Segment,
    known: Known,
    parts: Sequence[_Part],
    walks: Real,
    mistakes: Sequence[Mistake],
    step: int,
) -> Real:
    """Change of log density for other moves before one run, (mistake, way)."""
    entered = segment.amounts[step]
    amounts = np.array([entered if m.amounts is None else m.amounts for m in mistakes])
    spread = np.array([np.zeros_like(entered) if m.spread is None else m.spread for m in mistakes])
    x, lift = segment.effects(amounts - entered)
    sx, slift = segment.effects(spread)
    later = (np.arange(len(segment.steps)) >= step).astype(float)
    total = np.zeros((len(mistakes), len(walks)))
    for p, part in enumerate(parts):
        change = x if p == 0 else np.repeat(lift[:, None, p - 1], len(part.mean), axis=1)
        loose = sx if p == 0 else np.repeat(slift[:, None, p - 1], len(part.mean), axis=1)
        m = part.m[None] + later[None, None, :, None] * change[:, :, None, :]
        error = part.error[None] - np.einsum("hja,ja->hj", change, part.mean)[:, :, None] * later
        error = np.where(part.read, error, 0.0)
        cov = m @ part.cov @ np.swapaxes(m.conj(), 2, 3)
        power = np.abs(part.mean) ** 2 + np.einsum("jaa->ja", part.cov).real
        unknown = (np.abs(loose) ** 2 * power).sum(axis=2)
        cov = cov + unknown[:, :, None, None] * (later[:, None] * later)
        both = part.read[:, :, None] & part.read[:, None, :]
        whole = part.noise[None] + np.where(both, cov, 0.0)[:, None]
        found = part.density(*_flat_level(whole, part.read), error[:, None])
        total += (found - part.log_density).sum(axis=2)
    return total


def _flat_level(whole: Array, read: npt.NDArray[np.bool_]) -> tuple[Array, Real]:
    """Return precision and log determinant beside a flat first level.

    whole: (..., channel, run, run), the identity where not read; read: (channel, run).
    """
    inverse = np.linalg.inv(whole)
    _, log_det = np.linalg.slogdet(whole)
    u = np.where(read, (inverse @ read.astype(float)[..., None])[..., 0], 0.0)
    told = u.sum(axis=-1).real
    told = np.where(read.any(axis=-1), told, 1.0)
    precision = inverse - u[..., :, None] * u.conj()[..., None, :] / told[..., None, None]
    return precision, np.asarray(log_det + np.log(told))


def _walk(inflated: Real) -> Real:
    """Covariance of a random walk over runs whose steps have these relative variances."""
    total = np.cumsum(np.where(np.arange(len(inflated)) == 0, 0.0, inflated))
    return np.minimum.outer(total, total)
