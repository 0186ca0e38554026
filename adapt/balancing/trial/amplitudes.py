"""One plane without phase: amplitudes alone, with trial weights in several places around the rotor.

Model: run k reads |u + c X_k| with noise, X_k = sum_b exp(i psi_b) amount_b the trial weight of run
k as it stands there, u > 0 the reading without it (its phase is unknown and taken as 0), c complex
the effect of one unit in the first hole, whose phase is then counted from that of u. With both, the
weight x = -u / c takes the vibration away. Phases of the instrument do not come in.

One trial weight leaves a circle of answers; two leave two; three or more places that do not stand
on one line leave one. Kept to sensors of order 1. The table of runs is read in `amplitude_table`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2, f, t

from adapt.balancing.trial.likelihood import (
    cost,
    cost_of,
    far_out,
    gradients,
    maxima,
    mean_alone,
    residual,
)
from adapt.problems import BadInput, CannotBeMet, Problem

__all__ = [
    "ENOUGH_FREEDOM",
    "MIRRORED",
    "MOST_DOUBT",
    "PARAMETERS",
    "Answer",
    "NoiseFrom",
    "OnLine",
    "WithoutPhase",
    "fit_amplitudes",
]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

# The program's own thresholds.
APART = 6.0  # of twice the log likelihood: answers nearer than this are not told apart (95 %)
NO_EFFECT_CHANCE = 0.01  # that noise alone changes the readings as much
MOST_DOUBT = 0.5  # sd of the correction over its amount: more, and the angle is not known
MISFIT_CHANCE = 0.01
ON_A_LINE = 1e-6
LEAST_EFFECT = 1e-12  # of the readings, for one trial weight: nothing is divided by less
FLATTEST = 1e-12  # of the largest curvature
ROUGH_NOISE = 0.02  # of the largest amplitude: only to find where the residual is least
ENOUGH_FREEDOM = 2  # degrees of freedom that must be left to take the noise from the residual
PARAMETERS = 3

NoiseFrom = Literal["given", "rotor file", "expected", "residual"]


@dataclass(frozen=True, eq=False)
class Answer:
    """One solution.

    correction: complex, amount [the adjuster's unit] at an angle in passing order from the first
    hole. sd: of the amount; angle_sd_deg: of the angle. cov: (2, 2) of the correction's real and
    imaginary part. effect: amplitude of one unit's effect. initial: fitted amplitude without
    weight. fitted: (run,) fitted amplitudes. remaining: amplitude that the next run stays below in
    95 of 100 cases, noise of a reading included. misfit: twice the log likelihood below the best.
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


@dataclass(frozen=True, eq=False)
class WithoutPhase:
    """What amplitudes alone say.

    answers: best first; more than one = these readings cannot tell them apart; none = not known,
    reasons say why. noise_sd: per component [sensor's unit]; noise_from: where it comes from.
    freedom: readings more than unknowns. fit_chance: that noise alone leaves as much residual;
    None where freedom is 0 or the noise was taken from the residual. reasons: what speaks against
    using the answer. on_line: where all trial weights stand on one line through the shaft, the part
    of the correction along it, which both answers share; its angle is one of the line's two.
    line_is_all: whether no weight can be fitted anywhere else.
    """

    answers: tuple[Answer, ...]
    noise_sd: float
    noise_from: NoiseFrom
    freedom: int
    fit_chance: float | None
    reasons: tuple[str, ...]
    on_line: OnLine | None = None
    line_is_all: bool = False

    @property
    def usable(self) -> bool:
        """Whether there is one answer (or all that the line can take) and nothing against it."""
        return (len(self.answers) == 1 or self.line_is_all) and not self.reasons


def fit_amplitudes(
    amplitudes: Real,
    weights: Complex,
    noise_sd: float | None = None,
    noise_from: NoiseFrom = "given",
) -> WithoutPhase:
    """Return the correction from amplitudes with trial weights, by maximum likelihood.

    amplitudes: (run,) [sensor's unit]. weights: (run,) complex X_k, amount at an angle in passing
    order from the first hole; 0 for a run without a trial weight, which may be repeated. noise_sd:
    per component, of one run against another; None = from the residual, where two readings or more
    are left over. The amplitude of a reading with circular noise follows the Rice law (Rice, Bell
    System Tech. J. 24 (1945) 46, from memory); runs are taken as independent. sds are those of the
    law linear about the fit (Fisher information, amplitudes well above the noise); with the noise
    from the residual they are wider, so that two of them hold 95 % (Student's law).

    Raises BadInput for amplitudes below 0, CannotBeMet where the runs cannot tell: no run without a
    weight, or fewer than two different trial weights.
    """
    amplitudes, weights = np.asarray(amplitudes, dtype=float), np.asarray(weights, dtype=complex)
    _require(amplitudes, weights)
    freedom = len(amplitudes) - PARAMETERS
    scale, unit = float(amplitudes.max()), float(np.abs(weights).max())
    a, x = amplitudes / scale, weights / unit
    if noise_sd is None:
        if freedom < ENOUGH_FREEDOM:
            raise CannotBeMet(
                "the noise of a reading is not known, and these runs leave too few readings over "
                "to see it: state it, or add runs"
            )
        noise_from = "residual"
        found = maxima(a, x, ROUGH_NOISE)
        best = min(found, key=lambda p: residual(p, a, x))
        sd = max(float(np.sqrt(residual(best, a, x) / freedom)), 1e-9)
    else:
        sd = max(noise_sd / scale, 1e-9)
    minima = maxima(a, x, sd)
    costs = [2.0 * cost(p, a, x, sd) for p in minima]
    least = min(costs)
    order = sorted(range(len(minima)), key=lambda i: costs[i])
    quantile, wider = float(chi2.ppf(0.95, 2)), 1.0
    if noise_sd is None:
        quantile = float(2.0 * f.ppf(0.95, 2, freedom))
        wider = float(t.ppf(0.975, freedom) / t.ppf(0.975, np.inf))
    answers = [
        _answer(minima[i], a, x, sd, costs[i] - least, quantile, wider, scale, unit)
        for i in order
        if costs[i] - least < APART
    ]
    reasons = _reasons(answers, a, x, sd, least)
    fit_chance = None
    if noise_sd is not None and freedom > 0:
        fit_chance = float(chi2.sf(residual(minima[order[0]], a, x) / sd**2, freedom))
        if fit_chance < MISFIT_CHANCE:
            reasons.append(
                "the amplitudes do not fit one trial weight's effect: one was not read or not "
                "fitted as entered, or the rotor does not answer in proportion"
            )
    without_effect = bool(reasons) and reasons[0] == NO_EFFECT
    return WithoutPhase(
        answers=() if without_effect else tuple(answers),
        noise_sd=sd * scale,
        noise_from=noise_from,
        freedom=freedom,
        fit_chance=fit_chance,
        reasons=tuple(reasons),
        on_line=_along(answers[0], x, unit) if _on_a_line(x) and not without_effect else None,
    )


MIRRORED = (
    "the trial weights stand on one line through the shaft, so an answer and its mirror image fit "
    "alike: add a run with the weight in another place"
)
NO_EFFECT = "the trial weight changed the amplitudes no more than noise does: take a larger one"


def _reasons(answers: list[Answer], a: Real, x: Complex, sd: float, least: float) -> list[str]:
    """Return what speaks against using the answers."""
    reasons = []
    flat = np.full(len(a), 1.0) * mean_alone(a, sd)
    without = 2.0 * cost_of(flat, a, sd)
    if without - least < chi2.ppf(1.0 - NO_EFFECT_CHANCE, 2):
        return [NO_EFFECT]
    if len(answers) > 1:
        if _on_a_line(x):
            reasons.append(MIRRORED)
        else:
            reasons.append(
                "these runs fit more than one answer: add a run with the weight in another place"
            )
    best = answers[0]
    if best.sd > MOST_DOUBT * abs(best.correction):
        reasons.append(
            f"the correction is poorly known (sd {100 * best.sd / abs(best.correction):.0f} % of "
            "its amount): the trial weight did too little, or its places are too near"
        )
    return reasons


def _answer(
    p: Real,
    a: Real,
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


def _covariance(gradient: Real, sd: float) -> Real:
    """Return the covariance of the fit, (3, 3), from gradients (run, 3).

    What the readings do not say is very uncertain, never certain: small curvatures have a floor
    where a generalised inverse would leave them out.
    """
    values, vectors = np.linalg.eigh(gradient.T @ gradient)
    return np.asarray((vectors / np.maximum(values, FLATTEST * values[-1])) @ vectors.T * sd**2)


def _along(answer: Answer, x: Complex, unit: float) -> OnLine:
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


def _radius(cov: Real, quantile: float) -> float:
    """Return `far_out`, wider as the noise is itself known from few readings only."""
    return far_out(cov) * float(np.sqrt(quantile / chi2.ppf(0.95, 2)))


def _on_a_line(x: Complex) -> bool:
    """Return whether all trial weights stand on one line through the shaft."""
    directions = x[x != 0] / np.abs(x[x != 0])
    return bool(np.abs((directions * directions[0].conj()).imag).max(initial=0.0) < ON_A_LINE)


def _require(a: Real, x: Complex) -> None:
    problems = [
        Problem(
            "fault", f"amplitude of run {k + 1}", None, None, f"{value:g}", "a number of at least 0"
        )
        for k, value in enumerate(a)
        if not (np.isfinite(value) and value >= 0.0)
    ]
    if problems:
        raise BadInput(problems)
    if not (x == 0).any():
        raise CannotBeMet("there is no run without a trial weight: read the rotor as it is first")
    if not (a > 0.0).any():
        raise CannotBeMet("every amplitude is 0: there is nothing to balance, or nothing was read")
    moved = x[x != 0]
    if len(moved) == 0 or np.abs(moved - moved[0]).max() < ON_A_LINE * np.abs(moved).max():
        raise CannotBeMet(
            "without phase one trial weight leaves a whole circle of answers: run the trial weight "
            "in at least two places, better three"
        )
