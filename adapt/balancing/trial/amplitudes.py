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

from adapt.balancing.trial.answers import (
    ON_A_LINE,
    Answer,
    OnLine,
    along_line,
    answer_at,
    on_a_line,
)
from adapt.balancing.trial.likelihood import (
    cost,
    cost_of,
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
    "POORLY_KNOWN",
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
MOST_DOUBT = 0.5  # sd of the correction over its amount, along and across: more is not known
MISFIT_CHANCE = 0.01
ROUGH_NOISE = 0.02  # of the largest amplitude: only to find where the residual is least
ENOUGH_FREEDOM = 2  # degrees of freedom that must be left to take the noise from the residual
PARAMETERS = 3

NoiseFrom = Literal["given", "rotor file", "expected", "residual"]


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

    >>> trial = 10.0 * np.exp(2j * np.pi * np.array([0, 1, 2]) / 3)
    >>> weights = np.concatenate([[0.0], trial])
    >>> found = fit_amplitudes(np.abs(3.0 - 0.2j * weights), weights, noise_sd=0.01)
    >>> correction = found.answers[0].correction
    >>> round(abs(correction), 1), round(float(np.degrees(np.angle(correction))))
    (15.0, -90)
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
    apart, least_effect = APART, float(chi2.isf(NO_EFFECT_CHANCE, 2))
    if noise_sd is None:
        quantile = apart = float(2.0 * f.ppf(0.95, 2, freedom))
        least_effect = float(2.0 * f.isf(NO_EFFECT_CHANCE, 2, freedom))
        wider = float(t.ppf(0.975, freedom) / t.ppf(0.975, np.inf))
    answers = [
        answer_at(minima[i], x, sd, costs[i] - least, quantile, wider, scale, unit)
        for i in order
        if costs[i] - least < apart
    ]
    reasons = _reasons(answers, a, x, sd, least, least_effect)
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
        on_line=along_line(answers[0], x, unit) if on_a_line(x) and not without_effect else None,
    )


MIRRORED = (
    "the trial weights stand on one line through the shaft, so an answer and its mirror image fit "
    "alike: add a run with the weight in another place"
)
POORLY_KNOWN = "the correction is poorly known"
NO_EFFECT = "the trial weight changed the amplitudes no more than noise does: take a larger one"


def _reasons(
    answers: list[Answer], a: Real, x: Complex, sd: float, least: float, least_effect: float
) -> list[str]:
    """Return what speaks against using the answers.

    least: twice the cost of the best; least_effect: by how much more it must be without an effect.
    """
    reasons = []
    flat = np.full(len(a), 1.0) * mean_alone(a, sd)
    without = 2.0 * cost_of(flat, a, sd)
    if without - least < least_effect:
        return [NO_EFFECT]
    if on_a_line(x):
        reasons.append(MIRRORED)
    elif len(answers) > 1:
        reasons.append(
            "these runs fit more than one answer: add a run with the weight in another place"
        )
    best = answers[0]
    doubt = best.sd / max(abs(best.correction), 1e-300)
    if max(doubt, np.deg2rad(best.angle_sd_deg)) > MOST_DOUBT:
        reasons.append(
            f"{POORLY_KNOWN} (amount to {100 * doubt:.0f} %, angle to {best.angle_sd_deg:.0f} deg, "
            "one sd): the trial weight did too little, or its places are too near"
        )
    return reasons


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
