"""Whether readings before and after look like one turn of the phase reference.

The explanations that are held against each other, and what each is worth, stand in `evidence`. A
turn keeps every amplitude and turns all sensors alike: a change of the rotor does that only by
chance. At one sensor alone chance is not rare enough, and the sensor itself may have been moved, so
that one sensor never decides for a turn. Said is what has 0.9 or more; "as before" from 0.7 on,
where only a change too small to be seen stands beside it. Angle and interval come from
`learning.frames.angles`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from adapt.balancing.setup.evidence import (
    GRID_DEG,
    OF_ONE,
    PRIOR,
    TIMES,
    TOGETHER,
    Kind,
    densities,
    pulls,
    seen,
)
from adapt.balancing.setup.usual_turns import angle_names, mirror_prior, turn_prior
from adapt.learning.frames.angles import Angles, Word, angles_of, common_period
from adapt.problems import AdaptError
from adapt.rotor import Rotor

__all__ = ["Explanation", "Looks", "Pairs", "looks_turned"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

SURE = 0.9  # an explanation at least this probable is said to be it
LEAST_WEIGHT = 0.02  # a law of the scatter less probable than this does not widen an interval
LIKELY = 0.7  # ... and "as before", where only a change stands beside it
SPEAKS = 3.0  # a reading says something of a turn when it is so many sds large


@dataclass(frozen=True, eq=False)
class Pairs:
    """Readings before and after, complex (lag), one pair for each sensor and regime, (pair,).

    sensors, regimes: their names. expected: before, with the effect of what was moved since. sd: of
    after - expected when nothing else changed, per component, in the sensor's unit.
    """

    sensors: tuple[str, ...]
    regimes: tuple[str, ...]
    expected: Complex
    after: Complex
    sd: Real


@dataclass(frozen=True)
class Explanation:
    """One way in which the readings may have come about, and its probability.

    angle_deg, sd_deg: of shaft, positive = more lag after (turned and mirrored). sensor: the one
    that is reversed or mirrored alone.
    """

    kind: Kind
    probability: float
    angle_deg: float | None = None
    sd_deg: float | None = None
    sensor: str | None = None


@dataclass(frozen=True)
class Looks:
    """What readings before and after look like.

    verdict: the explanation that is sure enough, None when the readings cannot tell; why: then in
    words. explanations: most probable first. names: what is near the angle of a turn. angle_period:
    angles are known modulo so many degrees of shaft. speaking: sensors large enough to say
    something of a turn.
    """

    verdict: Kind | None
    why: str
    explanations: tuple[Explanation, ...]
    names: tuple[str, ...]
    angle_period: float
    pairs: int
    speaking: tuple[str, ...]

    @property
    def likeliest(self) -> Explanation:
        """The most probable explanation."""
        return self.explanations[0]

    def of(self, kind: Kind) -> Explanation:
        """Return the most probable explanation of a kind; KeyError when there is none."""
        return {e.kind: e for e in reversed(self.explanations)}[kind]


def looks_turned(rotor: Rotor, pairs: Pairs) -> Looks:
    """Say what readings before and after look like.

    Raises AdaptError when there is no pair, or an sd that is not above 0.

    >>> from adapt.rotor import Regime, Sensor
    >>> both = Sensor("gearbox radial", "ips"), Sensor("gearbox axial", "ips")
    >>> rotor = Rotor("tail rotor", ("1", "2"), 1980.0, both, (Regime("hover"),), (), ())
    >>> before = np.array([0.4 + 0.1j, -0.3 + 0.2j])
    >>> names, sd = ("gearbox radial", "gearbox axial"), np.full(2, 0.02)
    >>> looks = looks_turned(rotor, Pairs(names, ("hover", "hover"), before, 1j * before, sd))
    >>> looks.verdict, looks.names[0], round(looks.of("turned").angle_deg)
    ('turned', 'a quarter turn', 90)
    """
    if len(pairs.sensors) == 0:
        raise AdaptError("no reading stands both before and after: nothing can be compared")
    if not (np.isfinite(pairs.sd).all() and (pairs.sd > 0).all()):
        raise AdaptError("the scatter of every reading must be known and above 0")
    u, a = pairs.expected, pairs.after
    order = np.array([rotor.sensor(name).order for name in pairs.sensors])
    period = common_period(sorted(set(order.tolist())))
    of_sensor = np.array(pairs.sensors)
    named = list(dict.fromkeys(pairs.sensors))
    weight = np.array([p * q for _, p in TIMES for _, q in TOGETHER])
    each = [
        seen(u, a, pairs.sd, order, of_sensor, times, together)
        for times, _ in TIMES
        for together, _ in TOGETHER
    ]
    priors = turn_prior(rotor, GRID_DEG), mirror_prior(GRID_DEG)
    found, of_scatter = _weighed([densities(at, priors) for at in each], weight, len(named))
    angles: dict[Kind, tuple[float, float]] = {
        "turned": _angle([pulls(at.u, at) for at in each], of_scatter["turned"], period),
        "mirrored": _angle(
            [pulls(np.conj(at.u), at) for at in each], of_scatter["mirrored"], period
        ),
    }
    explanations = []
    for (kind, sensor), probability in sorted(found.items(), key=lambda item: -item[1]):
        angle, sd = angles.get(kind, (None, None))
        explanations.append(Explanation(kind, probability, angle, sd, sensor))
    large = np.minimum(np.abs(u), np.abs(a)) > SPEAKS * pairs.sd
    speaking = tuple(n for n in named if large[of_sensor == n].any())
    verdict, why = _verdict(explanations, speaking, len(named))
    names = angle_names(rotor, *angles["turned"], 360.0 / period)
    return Looks(verdict, why, tuple(explanations), names, 360.0 / period, len(u), speaking)


def _weighed(
    logs: Sequence[Mapping[tuple[Kind, str | None], float]], weight: Real, sensors: int
) -> tuple[dict[tuple[Kind, str | None], float], dict[Kind, Real]]:
    """Return the probability of each explanation once the readings are known.

    logs: log densities under each law of the scatter; weight: how probable each law is before,
    (law,). Also returns how probable each law is then, by kind.
    """
    weighed = {
        key: np.array([log[key] for log in logs])
        + np.log(weight * PRIOR[key[0]] / (sensors if key[0] in OF_ONE else 1))
        for key in logs[0]
    }
    total = logsumexp(list(weighed.values()))
    found = {key: float(np.exp(logsumexp(value) - total)) for key, value in weighed.items()}
    laws = {
        kind: np.exp(value - logsumexp(value)) for (kind, one), value in weighed.items() if not one
    }
    return found, laws


def _angle(told: Sequence[Mapping[int, complex]], weight: Real, period: int) -> tuple[float, float]:
    """Return the angle by which readings lag more, and its sd [deg], any angle being as likely.

    told: what tells the angle under each law of the scatter; weight: how probable each is, (law,).
    """
    laws = {
        k: _law(told[k], period) for k in np.argsort(-weight).tolist() if weight[k] >= LEAST_WEIGHT
    }
    best = next(iter(laws.values()))
    variance = sum(weight[k] * law.sd_deg(0, 1) ** 2 for k, law in laws.items())
    return best.angle_deg(0, 1), float(np.sqrt(variance / weight[list(laws)].sum()))


def _law(told: Mapping[int, complex], period: int) -> Angles:
    words = [
        Word(n, np.array([[0.0, np.conj(pull)], [pull, 0.0]]), np.zeros(2, dtype=complex))
        for n, pull in told.items()
    ]
    return angles_of(words, 2, period)


def _verdict(
    explanations: Sequence[Explanation], speaking: Sequence[str], sensors: int
) -> tuple[Kind | None, str]:
    best = explanations[0]
    of_frame = sum(e.probability for e in explanations if e.kind not in ("as before", "changed"))
    likely = best.kind == "as before" and best.probability >= LIKELY
    if likely and of_frame <= 1.0 - SURE:
        return "as before", ""  # a change, if there is one, is lost in the scatter
    if best.kind == "changed" and best.probability >= SURE:
        return "changed", ""
    if not speaking:
        return None, "the readings are too small against their scatter to show a turn"
    if len(speaking) < 2:
        alone = "only one sensor was read" if sensors == 1 else "only one sensor reads enough"
        return None, f"{alone}, and one sensor alone cannot tell a turn from a change"
    if best.probability >= SURE:
        return best.kind, ""
    return None, "several explanations fit nearly as well"
