"""Points of a chart that do not go with the others, and what may have been misread.

Each point is held against the chart that the other points give; a chart whose points go together
only when it is read in a mirror is told too. Nothing is changed here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy import stats

from adapt.balancing.paper.fitting import (
    EXPECTATION_COUNTS,
    EXPECTED_SHARE,
    ChartFit,
    Equations,
    determined,
    fitted,
)
from adapt.phasor import clock_text, from_lag, phase_deg
from adapt.rotor import Rotor

__all__ = ["DoubtedPoint", "Explanation", "doubted_points", "mirrored"]

Real = npt.NDArray[np.float64]

CHANCE_OF_FALSE_ALARM = 0.01  # for all points of a chart together
_EXPLAINS = 0.05  # a reading that the others would give in this share of cases or more
_NO_OTHER = 1e-2  # a point is the one to look at when all others are so much likelier
_LOOKED_AT = 12  # points, for two that hide each other
_MIRROR_GAINS = 0.05  # the misfit in a mirror, of that as entered


@dataclass(frozen=True)
class Explanation:
    """A slip that would make a point go with the others. probability: of a misfit as large."""

    text: str
    probability: float


@dataclass(frozen=True)
class DoubtedPoint:
    """A point that does not go with the others.

    probability: that a right point is so far off, all points of the chart looked at. alone: no
    other point of the chart could be the wrong one in its place. explanations: likeliest first.
    """

    point: str
    row: int | None
    probability: float
    alone: bool
    explanations: tuple[Explanation, ...]


def doubted_points(rotor: Rotor, fit: ChartFit) -> tuple[DoubtedPoint, ...]:
    """Return the points of a chart to look at again, the least likely first; none when all agree.

    A point's distance from the chart that the other points give follows Hotelling's law: F with 2
    and the others' degrees of freedom (what is expected of a ruler counted in), times the number of
    points (Bonferroni). Several are returned only when it cannot be told which one it is: without
    any of them the others agree, or only without both of two.
    """
    eqs = fit.equations
    count = len(eqs.reading)
    likely = np.array([_agreement(eqs, eqs.without(i), i) for i in range(count)])
    asked = likely[~np.isnan(likely)]
    if not len(asked) or np.min(asked) * len(asked) > CHANCE_OF_FALSE_ALARM:
        return _pair(rotor, fit, likely) if fit.agreement == "badly" else ()
    worst = float(np.min(asked))
    order = [int(i) for i in np.argsort(likely) if not np.isnan(likely[i])]
    blamed = [i for i in order if likely[i] * _NO_OTHER <= worst]
    # Without the wrong one the others agree as a ruler lets them; without a right one they do not.
    blamed = [i for i in blamed if _agree(eqs.without(i))] or blamed
    if len(asked) < count:  # a point that the others cannot be checked without
        blamed += [i for i in range(count) if np.isnan(likely[i])]
    points = fit.chart.points
    return tuple(
        DoubtedPoint(
            points[i].name,
            points[i].row,
            float(min(1.0, worst * len(asked))),
            len(blamed) == 1,
            tuple(_explained(rotor, fit, i, eqs.without(i))),
        )
        for i in blamed
    )


def _pair(rotor: Rotor, fit: ChartFit, likely: Real) -> tuple[DoubtedPoint, ...]:
    """Return two wrong points that hide each other: the only two without which the others agree.

    Looked for among the points that go least with the others; likely: (point,), NaN = not known.
    """
    eqs = fit.equations
    among = sorted(int(i) for i in np.argsort(likely)[:_LOOKED_AT])
    count = len(eqs.reading)
    if count - 2 <= len(eqs.adjusters):
        return ()
    pairs = [
        pair
        for pair in combinations(among, 2)
        if determined(eqs.without(*pair)) and _agree(eqs.without(*pair))
    ]
    if len(pairs) != 1:
        return ()
    by_chance = stats.chi2.sf(
        (fit.share_of_points or 0.0) ** 2 * fit.spare / EXPECTED_SHARE**2, fit.spare
    )
    points = fit.chart.points
    return tuple(
        DoubtedPoint(
            points[i].name,
            points[i].row,
            float(by_chance),
            False,
            tuple(_explained(rotor, fit, i, eqs.without(*pairs[0]))),
        )
        for i in pairs[0]
    )


def mirrored(fit: ChartFit) -> bool:
    """Return whether the points go together only when the chart is read in a mirror.

    Then blades pass in the other order than the rotor file says, or the chart's clock runs the
    other way round than the sensor's; from the points alone these look the same. Charts whose axes
    all stand on one blade, and one direction in space for each adjuster, cannot tell.
    """
    eqs = fit.equations
    turned = replace(eqs, axis_phasor=np.conj(eqs.axis_phasor))
    if fit.spare == 0 or fit.share_of_points is None or not determined(turned):
        return False
    as_entered = fit.share_of_points**2 * fit.spare
    if as_entered <= stats.chi2.isf(0.001, fit.spare) * EXPECTED_SHARE**2:
        return False
    return fitted(turned)[2] < _MIRROR_GAINS * as_entered


def _agreement(eqs: Equations, others: Equations, point: int) -> float:
    """Return the probability that a right point is as far off as this one; NaN = cannot tell."""
    if len(others.reading) < len(eqs.adjusters) or not determined(others):
        return float("nan")
    effects, inverse, misfit = fitted(others)
    spare = 2 * len(others.reading) - 2 * len(eqs.adjusters) + EXPECTATION_COUNTS
    share2 = (EXPECTATION_COUNTS * EXPECTED_SHARE**2 + misfit) / spare
    sums = eqs.sums[point]
    rows = np.array(
        [np.concatenate([sums.real, -sums.imag]), np.concatenate([sums.imag, sums.real])]
    )
    left = eqs.reading[point] + sums @ effects
    covariance = share2 * (eqs.scatter(effects)[point] + rows @ inverse @ rows.T)
    apart = np.array([left.real, left.imag])
    statistic = float(apart @ np.linalg.solve(covariance, apart)) / 2.0
    return float(stats.f.sf(statistic, 2.0, spare))


def _agree(eqs: Equations) -> bool:
    """Return whether points scatter no more than by a ruler on a chart."""
    spare = 2 * (len(eqs.reading) - len(eqs.adjusters))
    if spare == 0:
        return True
    return bool(stats.chi2.sf(fitted(eqs)[2] / EXPECTED_SHARE**2, spare) >= CHANCE_OF_FALSE_ALARM)


def _explained(rotor: Rotor, fit: ChartFit, point: int, others: Equations) -> list[Explanation]:
    """Return the slips with which a point goes with others, likeliest first."""
    found = [
        Explanation(text, probability)
        for text, changed in _slips(rotor, fit, point)
        if (probability := _agreement(changed, others, point)) >= _EXPLAINS
    ]
    return sorted(found, key=lambda e: -e.probability)


def _slips(rotor: Rotor, fit: ChartFit, point: int) -> Iterator[tuple[str, Equations]]:
    """Give what people misread at a chart, in words, with the equations as they would be then."""
    eqs = fit.equations
    sensor = rotor.sensor(fit.chart.sensor)
    own = complex(eqs.reading[point])
    phase = float(phase_deg(from_lag(own, sensor.phase)))

    def reading(value: complex) -> Equations:
        changed = eqs.reading.copy()
        changed[point] = value
        return replace(eqs, reading=changed)

    def amounts(row: Real) -> Equations:
        changed = eqs.amounts.copy()
        changed[point] = row
        return replace(eqs, amounts=changed)

    turns = {30.0: "one hour", -30.0: "one hour", 90.0: "three hours", -90.0: "three hours"}
    for degrees, words in {**turns, 180.0: "six hours"}.items():
        there = clock_text(phase + degrees)
        turn = np.exp(1j * np.deg2rad(degrees if sensor.phase == "lag" else -degrees))
        yield f"{words} off: {there} in place of {clock_text(phase)}", reading(own * turn)
    yield (
        f"clock read the wrong way round: {clock_text(-phase)} in place of {clock_text(phase)}",
        reading(own.conjugate()),
    )
    for factor in (10.0, 0.1):
        there = f"{abs(own) * factor:.4g} in place of {abs(own):.4g} {sensor.unit}"
        yield f"slipped decimal of the amplitude: {there}", reading(own * factor)
    row = eqs.amounts[point]
    at = [int(i) for i in np.flatnonzero(eqs.read[point])]
    for i in at:
        if row[i] == 0:
            continue
        blade, adjuster = eqs.axes[i]
        changes = {"sign": -1.0, "slipped decimal": 10.0, "slipped decimal ": 0.1}
        for words, factor in changes.items():
            new = row.copy()
            new[i] *= factor
            there = f"{new[i]:+g} in place of {row[i]:+g} of {adjuster} on blade {blade}"
            yield f"{words.strip()}: {there}", amounts(new)
    if len(at) > 1:
        yield "sign of all its amounts", amounts(-row)
    for k, i in enumerate(at):
        for j in at[k + 1 :]:
            if row[i] != row[j]:
                new = row.copy()
                new[[i, j]] = row[[j, i]]
                yield f"amounts of {_axis(eqs, i)} and {_axis(eqs, j)} swapped", amounts(new)


def _axis(eqs: Equations, i: int) -> str:
    blade, adjuster = eqs.axes[i]
    return f"{adjuster} on blade {blade}"
