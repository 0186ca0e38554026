"""What a maximum of the likelihood of amplitudes means: a correction, its doubt, what it leaves.

The search for maxima stands in `likelihood`, what speaks for or against an answer in `amplitudes`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from adapt.balancing.trial.likelihood import far_out, gradients

__all__ = ["ON_A_LINE", "Answer", "OnLine", "along_line", "answer_at", "on_a_line"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

ON_A_LINE = 1e-6  # sine of the angle off a line that counts as nothing
LEAST_EFFECT = 1e-12  # of the readings, for one trial weight: nothing is divided by less
NO_ANGLE = 0.5 * np.pi  # sd of an angle [rad] that says nothing
FLATTEST = 1e-12  # of the largest curvature


@dataclass(frozen=True, eq=False)
class Answer:
    """One solution.

    correction: complex, amount [the adjuster's unit] at an angle in passing order from the first
    hole. sd: of the amount; angle_sd_deg: of the angle. cov: (2, 2) of the correction's real and
    imaginary part. effect: amplitude of one unit's effect. initial: fitted amplitude without
    weight. fitted: (run,) fitted amplitudes. remaining: amplitude that the next run stays below in
    95 of 100 cases, noise of a reading included; inf where the angle is not known. misfit: twice
    the log likelihood below the best.
    """

    correction: complex
    sd: float
    angle_sd_deg: float
    cov: Real
    effect: float
    initial: float
    fitted: Real
    remaining: float
    misfit: float


@dataclass(frozen=True)
class OnLine:
    """The part of a correction along the line of the trial weights.

    correction: complex, as in `Answer`. sd: of its amount. remaining: the amplitude predicted with
    it alone (mean).
    """

    correction: complex
    sd: float
    remaining: float


def answer_at(
    p: Real,
    x: Complex,
    sd: float,
    misfit: float,
    quantile: float,
    wider: float,
    scale: float,
    unit: float,
) -> Answer:
    """Return a solution with its doubts; p: (3,) u, real and imaginary part of c.

    quantile, wider: squared radius of 95 % in sds, and by how much sds grow, as the noise is itself
    known from few readings only.
    """
    u, c = p[0], complex(p[1], p[2])
    c = c if abs(c) > LEAST_EFFECT else complex(LEAST_EFFECT)
    cov = _covariance(gradients(p, x), sd)
    # x = -u / c: what its real and imaginary part do when u, Re c or Im c grow.
    slopes = np.array([-1.0 / c, u / c**2, 1j * u / c**2])
    correction = -u / c
    parts = np.stack([slopes.real, slopes.imag])
    own = parts @ cov @ parts.T * wider**2
    along = np.array([correction.real, correction.imag]) / max(abs(correction), 1e-300)
    across = np.array([-along[1], along[0]])
    turn = np.sqrt(max(across @ own @ across, 0.0)) / max(abs(correction), 1e-300)
    # What remains with the weight -u/c fitted: the error of u + c x at that x.
    left = np.array([1.0, correction, 1j * correction])
    rest = np.stack([left.real, left.imag])
    remaining = np.inf
    if turn < NO_ANGLE:
        remaining = _radius(rest @ cov @ rest.T + sd**2 * np.eye(2), quantile)
    return Answer(
        correction=complex(correction * unit),
        sd=float(np.sqrt(max(along @ own @ along, 0.0))) * unit,
        angle_sd_deg=min(float(np.rad2deg(turn)), 180.0),
        cov=own * unit**2,
        effect=abs(c) * scale / unit,
        initial=float(u) * scale,
        fitted=np.abs(u + c * x) * scale,
        remaining=remaining * scale,
        misfit=float(misfit),
    )


def along_line(answer: Answer, x: Complex, unit: float) -> OnLine:
    """Return the part of an answer along the line of the trial weights; x: (run,)."""
    moved = x[x != 0]
    line = moved[0] / abs(moved[0])
    amount = (answer.correction * line.conjugate()).real
    direction = np.array([line.real, line.imag])
    part = amount * line
    return OnLine(
        correction=complex(part),
        sd=float(np.sqrt(max(direction @ answer.cov @ direction, 0.0))),
        remaining=answer.effect * abs(answer.correction - part),
    )


def on_a_line(x: Complex) -> bool:
    """Return whether all trial weights stand on one line through the shaft."""
    directions = x[x != 0] / np.abs(x[x != 0])
    return bool(np.abs((directions * directions[0].conj()).imag).max(initial=0.0) < ON_A_LINE)


def _radius(cov: Real, quantile: float) -> float:
    """Return `far_out`, wider as the noise is itself known from few readings only."""
    return far_out(cov) * float(np.sqrt(quantile / chi2.ppf(0.95, 2)))


def _covariance(gradient: Real, sd: float) -> Real:
    """Return the covariance of the fit, (3, 3), from gradients (run, 3).

    What the readings do not say is very uncertain, never certain: small curvatures have a floor
    where a generalised inverse would leave them out.
    """
    values, vectors = np.linalg.eigh(gradient.T @ gradient)
    return np.asarray((vectors / np.maximum(values, FLATTEST * values[-1])) @ vectors.T * sd**2)
