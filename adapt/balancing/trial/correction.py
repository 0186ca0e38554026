"""The weight in each plane, any amount at any angle, that takes most of the vibration away.

Least squares over complex readings, from where a job stands and what its coefficients are; what is
not known of both goes into the sds and into what is predicted to remain. In steps of the hardware:
`adapt.planning`; spread over holes: `balancing.shares`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.balancing.trial.conditioning import Conditioning, conditioning_of
from adapt.coefficients import Noise
from adapt.coefficients.intervals import amplitude_interval
from adapt.level import Level, predict_run
from adapt.problems import BadInput, CannotBeMet, Problem, one_of, shown
from adapt.rotor import Rotor

__all__ = ["Correction", "Remaining", "correct"]

_NOTHING = 1e-9  # correlation: less is rounding
# Most that the noise of a sensor's regimes may go together, as weight and wind move them all.
# Judgement, as in `setup.evidence`: common practice, no source.
AT_MOST_TOGETHER = 0.7

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Remaining:
    """One reading as it stands and as it is predicted after the correction.

    before, after: complex (lag, sensor's unit). sd: of the next reading, per component. low, high:
    the amplitude of the next reading is between them in 95 of 100 cases. used: whether the
    correction was made for it.
    """

    sensor: str
    regime: str
    before: complex
    after: complex
    sd: float
    low: float
    high: float
    limit: float | None
    used: bool


@dataclass(frozen=True, eq=False)
class Correction:
    """Weights to add, one in each plane.

    weights: (plane,) complex, amount [the adjuster's unit] at the angle counted in passing order
    from the first blade. cov: (plane, plane), E of the errors' products. by_reading: (plane, used
    channel), what one unit of a reading adds to each weight. channels: those that it
    was made for, by place in `Rotor.channels`. conditioning: how far the planes can be told apart.
    poorly_known: why it should not be used as it is, in words, "" when nothing speaks against it.
    only_known: whether it corrects the well-known combinations alone.
    """

    planes: tuple[str, ...]
    weights: Complex
    cov: Complex
    by_reading: Complex
    channels: tuple[int, ...]
    remaining: tuple[Remaining, ...]
    conditioning: Conditioning
    poorly_known: str
    only_known: bool

    @property
    def sd(self) -> Real:
        """Sd per component of each weight, (plane,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.cov).real, 0.0) / 2.0))


def correct(
    rotor: Rotor,
    level: Level,
    noise: Noise,
    planes: tuple[str, ...],
    regimes: Collection[str] = (),
    limits: str | None = None,
    only_known: bool = False,
) -> Correction:
    """Return the correction for a job that stands so.

    level: where the job stands (vibration), coefficients included. planes: adjusters, one a plane.
    regimes: correct for these alone, () = all. limits: a named set of them. only_known: leave
    alone the combinations of planes that are poorly known.

    Minimises sum_j |z_j + sum_a c_ja x_a|^2 / s_j^2 over complex x, with s_j the limit of each
    channel that has one, or its noise where none has (the vector method; Goodman, A least-squares
    method for computing balance corrections, J. Eng. Ind. 86 (1964) 273, from memory). Only sensors
    of order 1 are corrected for: the angle of a weight is one number there.

    Raises BadInput for unknown planes or regimes; CannotBeMet when no channel is left to correct
    for. The errors of channels are weighed as independent; the sds, and whether a plane has an
    effect at all, know how they go together.
    """
    columns, asked = _require(rotor, planes, regimes)
    first = np.array([rotor.sensor(s).order == 1 for s, _ in rotor.channels])
    standing = np.isfinite(level.own_var) & first & ~np.isnan(level.mean[:, columns]).any(axis=1)
    limit = [rotor.limit_for(s, r, limits) for s, r in rotor.channels]
    of_limit = np.array([np.nan if x is None else x.limit for x in limit])
    reading_noise = np.sqrt(noise.reading_var + noise.run_var)
    use = standing & asked
    if (use & ~np.isnan(of_limit)).any():
        use, scale = use & ~np.isnan(of_limit), of_limit
    else:
        scale = reading_noise
    if not use.any():
        raise CannotBeMet(
            f"nothing to correct for with {' and '.join(planes)}: no reading of order 1 stands "
            "there whose coefficients are known. Read a run with a trial weight in each plane"
        )
    at = np.flatnonzero(use)
    mean, cov = level.mean[at][:, columns], level.cov[at][:, columns][:, :, columns]
    together = _together(rotor, level, noise, columns, at)
    seen = conditioning_of(planes, mean, cov, reading_noise[at], together)
    basis = seen.known_basis() if only_known else np.eye(len(planes), dtype=complex)
    z = level.level_mean[at, 0]
    effects = (mean @ basis) / scale[at, None]
    inverse = (
        basis @ np.linalg.pinv(effects) if basis.shape[1] else np.zeros((len(planes), len(at)))
    )
    weights = -inverse @ (z / scale[at])
    errors = _errors(rotor, level, noise, _moves(rotor, columns, weights), at)
    errors = errors / (scale[at, None] * scale[at])
    result = Correction(
        planes=planes,
        weights=np.asarray(weights, dtype=complex),
        cov=np.asarray(inverse @ errors @ inverse.conj().T),
        by_reading=-inverse / scale[at],
        channels=tuple(at.tolist()),
        remaining=(),
        conditioning=seen,
        poorly_known="" if only_known else _why_not(seen),
        only_known=only_known,
    )
    remaining = _predicted(rotor, level, noise, result, standing, of_limit)
    return replace(result, remaining=remaining)


def _predicted(
    rotor: Rotor,
    level: Level,
    noise: Noise,
    correction: Correction,
    standing: npt.NDArray[np.bool_],
    limit: Real,
) -> tuple[Remaining, ...]:
    """Return every reading that stands, before and after the correction.

    standing: (channel,), which can be foretold; limit: (channel,), NaN where there is none.
    """
    columns = [rotor.adjuster_names.index(plane) for plane in correction.planes]
    moved = np.zeros(len(rotor.adjusters))
    moved[columns] = correction.weights != 0
    moves = _moves(rotor, columns, correction.weights)
    after, cov = predict_run(level, moves, noise.reading_var, noise.run_var_after(moved))
    sd = np.sqrt(np.maximum(cov[:, 0, 0].real, 0.0) / 2.0)
    low, high = amplitude_interval(after[:, 0], sd)
    before = level.level_mean[:, 0]
    return tuple(
        Remaining(
            sensor=sensor,
            regime=regime,
            before=complex(before[j]),
            after=complex(after[j, 0]),
            sd=float(sd[j]),
            low=float(low[j]),
            high=float(high[j]),
            limit=None if np.isnan(limit[j]) else float(limit[j]),
            used=j in correction.channels,
        )
        for j, (sensor, regime) in enumerate(rotor.channels)
        if standing[j]
    )


def _errors(
    rotor: Rotor, level: Level, noise: Noise, moves: Complex, at: npt.NDArray[np.intp]
) -> Complex:
    """Return E of the errors' products of z + C x as it truly is, without the noise of a reading.

    moves: (channel, 1, adjuster). at: channels, by place; shape (at, at). Levels go together as the
    noise of channels does; coefficients as their covariance says, and where that holds nothing of
    two channels, as the noise that they were read in.
    """
    lean = np.where(np.isnan(level.mean), 0.0, level.slope[:, 0] + moves[:, 0])
    own = np.sqrt(level.own_var[at])
    taught = _errors_taught(rotor, level, noise, lean, at)
    return np.asarray(taught + own[:, None] * noise.together(at) * own)


def _errors_taught(
    rotor: Rotor, level: Level, noise: Noise, lean: Complex, at: npt.NDArray[np.intp]
) -> Complex:
    """Return E of the errors' products of C x, (at, at). lean: x, (channel, adjuster)."""
    sensors, regimes, adjusters = len(rotor.sensors), len(rotor.regimes), len(rotor.adjusters)
    lean = lean.reshape(sensors, regimes, adjusters)
    joint = np.nan_to_num(level.joint).reshape(sensors, regimes, adjusters, regimes, adjusters)
    known = np.zeros((sensors, regimes, sensors, regimes), dtype=complex)
    of = np.arange(sensors)
    known[of, :, of, :] = np.einsum("sga,sgahb,shb->sgh", lean, joint, lean.conj())
    known = known.reshape(sensors * regimes, sensors * regimes)[np.ix_(at, at)]
    sd = np.sqrt(np.maximum(np.diag(known).real, 0.0))
    of_both = sd[:, None] * sd
    taught = np.where(np.abs(known) < _NOTHING * of_both, noise.together(at) * of_both, known)
    return np.asarray(taught)


def _together(
    rotor: Rotor, level: Level, noise: Noise, columns: list[int], at: npt.NDArray[np.intp]
) -> Complex:
    """Return how errors of each plane's effects may go together, (case, plane, at, at).

    As they are known to, and as strongly as the regimes of a sensor may.
    """
    sensors = np.array([rotor.channels[j][0] for j in at])
    strongly = np.where(sensors[:, None] == sensors, AT_MOST_TOGETHER, 0.0).astype(complex)
    np.fill_diagonal(strongly, 1.0)
    cases = []
    for a in columns:
        lean = np.zeros((len(rotor.channels), len(rotor.adjusters)), dtype=complex)
        lean[:, a] = 1.0
        taught = _errors_taught(rotor, level, noise, lean, at)
        sd = np.sqrt(np.maximum(np.diag(taught).real, 0.0))
        scale = np.where(sd > 0.0, sd, 1.0)
        as_known = taught / (scale[:, None] * scale)
        np.fill_diagonal(as_known, 1.0)
        cases.append(np.stack([as_known, strongly]))
    return np.stack(cases, axis=1)


def _moves(rotor: Rotor, columns: list[int], weights: Complex) -> Complex:
    moves = np.zeros((len(rotor.channels), 1, len(rotor.adjusters)), dtype=complex)
    moves[:, 0, columns] = weights
    return moves


def _why_not(seen: Conditioning) -> str:
    """Return why a correction in these planes should not be used as it is."""
    if seen.without_effect:
        return (
            f"the trial weight in {' and '.join(seen.without_effect)} changed the readings no more "
            "than noise does"
        )
    if not seen.is_poor:
        return ""
    if len(seen.planes) == 1:
        return f"the effect of {seen.planes[0]} is hardly larger than its doubt"
    if np.isinf(seen.condition):
        return "the planes cannot be told apart by these readings"
    return f"the planes are hard to tell apart by these readings (condition {seen.condition:.0f})"


def _require(
    rotor: Rotor, planes: tuple[str, ...], regimes: Collection[str]
) -> tuple[list[int], npt.NDArray[np.bool_]]:
    """Return the planes' columns and which channels are asked; BadInput with all that is wrong."""
    problems = [
        Problem("fault", what, None, None, shown(name), one_of(expected, name, known))
        for what, expected, names, known in (
            ("plane", "an adjuster of the rotor file", planes, rotor.adjuster_names),
            ("regime", "a regime of the rotor file", tuple(regimes), rotor.regime_names),
        )
        for name in names
        if name not in known
    ]  # fmt: skip
    if not planes:
        problems.append(Problem("fault", "planes", None, None, "none", "at least one adjuster"))
    if len(set(planes)) < len(planes):
        problems.append(Problem("fault", "planes", None, None, "one twice", "each plane once"))
    if problems:
        raise BadInput(problems)
    asked = np.array([not regimes or regime in regimes for _, regime in rotor.channels])
    return [rotor.adjuster_names.index(p) for p in planes], asked
