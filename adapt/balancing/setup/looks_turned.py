"""Whether readings before and after look like one turn of the phase reference.

Nothing was moved between, or what was moved is known. Before u (with the known moves' effect) and
after a, complex lag, one pair for each sensor and regime; a - u has the variance v of noise when
nothing changed (two readings and what changes by itself from run to run, independent between
pairs). What is held against what, with the probabilities before the readings are looked at:

    as before      40 %   a = u
    turned         20 %   a = exp(i n angle) u, one angle of shaft for all: half of it any angle,
                          half near quarter turns, whole hours and blade spacings (within 2 deg)
    mirrored       10 %   a = exp(i n angle) conj(u): lead entered for lag (angle 0, half of it), or
                          the two senses of rotation mixed up (any angle)
    reversed        5 %   a = -u at one sensor, the others as before
    one mirrored    5 %   a = conj(u) at one sensor, the others as before: its channel alone shows
                          lead for lag
    changed        20 %   a = u + d, d circular normal, as large as 0.1 to 2.4 times the sensor's
                          readings, alike in its regimes by a correlation from 0 to 0.99

These shares are judgement (common practice, no source); the shares after follow by Bayes' rule. A
turn keeps every amplitude and turns all sensors alike: a change of the rotor does that only by
chance. At one sensor alone chance is not rare enough, and the sensor itself may have been moved, so
that one sensor never decides for a turn. "As before" is said when it is the most probable and
nothing but a change too small to be seen stands beside it. Angle and interval come from
`learning.frames.angles`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from adapt.balancing.setup.usual_turns import angle_names, mirror_prior, turn_prior
from adapt.learning.frames.angles import Angles, Word, angles_of, common_period
from adapt.problems import AdaptError
from adapt.rotor import Rotor

__all__ = ["Explanation", "Looks", "Pairs", "looks_turned"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Kind = Literal["as before", "turned", "mirrored", "reversed", "one mirrored", "changed"]

PRIOR: dict[Kind, float] = {
    "as before": 0.40, "turned": 0.20, "mirrored": 0.10, "reversed": 0.05, "one mirrored": 0.05,
    "changed": 0.20,
}  # fmt: skip
_OF_ONE: tuple[Kind, ...] = ("reversed", "one mirrored")
SURE = 0.9  # an explanation at least this probable is said to be it
SPEAKS = 3.0  # a reading says something of a turn when it is so many sds large
ROUNDING_DEG = 0.5  # a clock angle is rounded to a minute of clock, before and after
SIZES = (0.1, 0.3, 0.6, 1.2, 2.4)  # of a change, in rms readings of its sensor
ALIKE = (0.0, 0.5, 0.9, 0.99)  # correlation of a change between the regimes of a sensor
_GRID_DEG = 0.05


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
    """
    if len(pairs.sensors) == 0:
        raise AdaptError("no reading stands both before and after: nothing can be compared")
    if not (np.isfinite(pairs.sd).all() and (pairs.sd > 0).all()):
        raise AdaptError("the scatter of every reading must be known and above 0")
    u, a = pairs.expected, pairs.after
    order = np.array([rotor.sensor(name).order for name in pairs.sensors])
    rounding = np.deg2rad(ROUNDING_DEG) * np.hypot(np.abs(u), np.abs(a)) / np.sqrt(12.0)
    v = 2.0 * (pairs.sd**2 + rounding**2)
    period = common_period(sorted(set(order.tolist())))

    grid = np.arange(0.0, 360.0, _GRID_DEG)
    base = -float(np.log(np.pi * v).sum())
    turned = base - _misses(u, a, v, order, grid)
    mirrored = base - _misses(np.conj(u), a, v, order, grid)
    named = list(dict.fromkeys(pairs.sensors))
    of_sensor = np.array(pairs.sensors)

    def at_one(name: str, there: Complex) -> float:
        """Return the log density when one sensor reads `there` and the others as before."""
        return base - float((np.abs(a - np.where(of_sensor == name, there, u)) ** 2 / v).sum())

    log: dict[tuple[Kind, str | None], float] = {
        ("as before", None): turned[0],
        ("turned", None): float(logsumexp(turned + np.log(turn_prior(rotor, grid)))),
        ("mirrored", None): float(logsumexp(mirrored + np.log(mirror_prior(grid)))),
        ("changed", None): _changed(u, a, v, of_sensor),
        **{("reversed", n): at_one(n, -u) for n in named},
        **{("one mirrored", n): at_one(n, np.conj(u)) for n in named},
    }
    found = _weighed(log, len(named))
    laws = {
        "turned": _angle(u, a, v, order, period),
        "mirrored": _angle(np.conj(u), a, v, order, period),
    }
    explanations = tuple(
        Explanation(
            kind,
            p,
            laws[kind].angle_deg(0, 1) if kind in laws else None,
            laws[kind].sd_deg(0, 1) if kind in laws else None,
            sensor,
        )
        for (kind, sensor), p in sorted(found.items(), key=lambda item: -item[1])
    )
    large = np.minimum(np.abs(u), np.abs(a)) > SPEAKS * np.sqrt(v / 2.0)
    speaking = tuple(n for n in named if large[of_sensor == n].any())
    verdict, why = _verdict(explanations, speaking, len(named))
    of_turn = next(e for e in explanations if e.kind == "turned")
    assert of_turn.angle_deg is not None
    assert of_turn.sd_deg is not None
    names = angle_names(rotor, of_turn.angle_deg, of_turn.sd_deg, 360.0 / period)
    return Looks(verdict, why, explanations, names, 360.0 / period, len(u), speaking)


def _misses(u: Complex, a: Complex, v: Real, order: npt.NDArray[Any], grid: Real) -> Real:
    """Return sum |a - exp(i n angle) u|^2 / v at each angle of the grid [deg], (angle,)."""
    total = np.full(len(grid), float(((np.abs(a) ** 2 + np.abs(u) ** 2) / v).sum()))
    for n in np.unique(order):
        pull = complex((np.conj(a) * u / v)[order == n].sum())
        total -= 2.0 * (pull * np.exp(1j * n * np.deg2rad(grid))).real
    return np.maximum(total, 0.0)


def _changed(u: Complex, a: Complex, v: Real, of_sensor: npt.NDArray[Any]) -> float:
    """Return the log density of what was read when the rotor changed, sizes summed over."""
    cases = np.zeros((len(SIZES), len(ALIKE)))
    for name in np.unique(of_sensor):
        mine = of_sensor == name
        d, noise = (a - u)[mine], v[mine]
        power = float((np.abs(u[mine]) ** 2 + np.abs(a[mine]) ** 2).mean()) / 2.0
        one = np.eye(len(d))
        for i, size in enumerate(SIZES):
            for j, rho in enumerate(ALIKE):
                cov = size**2 * power * ((1.0 - rho) * one + rho) + np.diag(noise)
                _, log_det = np.linalg.slogdet(np.pi * cov)
                cases[i, j] -= log_det + float((d.conj() @ np.linalg.solve(cov, d)).real)
    return float(logsumexp(cases) - np.log(cases.size))


def _weighed(
    log: Mapping[tuple[Kind, str | None], float], sensors: int
) -> dict[tuple[Kind, str | None], float]:
    """Return the probability of each explanation once the readings are known."""
    weighed = {
        (kind, sensor): value + np.log(PRIOR[kind] / (sensors if kind in _OF_ONE else 1))
        for (kind, sensor), value in log.items()
    }
    total = logsumexp(list(weighed.values()))
    return {key: float(np.exp(value - total)) for key, value in weighed.items()}


def _angle(u: Complex, a: Complex, v: Real, order: npt.NDArray[Any], period: int) -> Angles:
    """Return the law of the angle by which `a` lags more than `u`, any angle being as likely."""
    words = []
    for n in sorted(set(order.tolist())):
        pull = complex((np.conj(a) * u / v)[order == n].sum())
        among = np.array([[0.0, np.conj(pull)], [pull, 0.0]])
        words.append(Word(n, among, np.zeros(2, dtype=complex)))
    return angles_of(words, 2, period)


def _verdict(
    explanations: Sequence[Explanation], speaking: Sequence[str], sensors: int
) -> tuple[Kind | None, str]:
    best = explanations[0]
    of_frame = sum(e.probability for e in explanations if e.kind not in ("as before", "changed"))
    if best.kind == "as before" and of_frame <= 1.0 - SURE:
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
