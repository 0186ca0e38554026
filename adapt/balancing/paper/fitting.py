"""The effects that a paper chart is drawn from, fitted to readings plotted on it.

A chart says which amounts x bring a reading z to nothing: z + sum over axes of c_a exp(i n psi_b)
x_(b,a) = 0, where an axis is one adjuster a on one blade b. The effects c are those of the first
blade. Charts are read with a ruler: every amount is off by a share of the largest one of its
adjuster, and so is the point in the plane. What that share is, the scatter of the points says,
beside an expectation that counts as a few readings. Nothing here knows where the points came from.

Axes need not be square to each other. Equations are weighted by the scatter that amounts of this
size would make in the reading, so that an adjuster that is read roughly does not spoil another
(generalised least squares, weights repeated until they stand).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from adapt.balancing.paper.points import PlottedChart, PlottedPoint
from adapt.effects import blade_phasors
from adapt.problems import CannotBeMet
from adapt.rotor import Rotor

__all__ = [
    "EXPECTED_SHARE",
    "ChartFit",
    "Equations",
    "determined",
    "equations",
    "fit_chart",
    "fitted",
]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Agreement = Literal["unchecked", "well", "roughly", "badly"]

# A ruler on a chart: within two hundredths of full scale (common practice, no source).
EXPECTED_SHARE = 0.02
EXPECTATION_COUNTS = 4.0  # as this many degrees of freedom beside those of the points
_ROUGH, _BAD = 2.0, 4.0  # times what a ruler gives
_NEAR_SINGULAR = 1e-3  # of the largest singular value, columns scaled alike
_ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Equations:
    """The points of one chart as linear equations z + A c = 0 with the scatter of each.

    reading: (point,) complex, lag. sums: A, (point, adjuster) complex: sum over axes of
    exp(i n psi_b) x. axis_adjuster, axis_phasor: (axis,), which adjuster an axis is and how its
    blade turns the effect. amounts: (point, axis), 0 where the chart was not read on that axis;
    read: the same shape, True where it was. scale: (adjuster,), the largest amount of each.
    """

    adjusters: tuple[str, ...]
    axes: tuple[tuple[str, str], ...]
    reading: Complex
    amounts: Real
    read: npt.NDArray[np.bool_]
    axis_adjuster: npt.NDArray[np.intp]
    axis_phasor: Complex
    scale: Real

    @property
    def sums(self) -> Complex:
        """Sum over each adjuster's axes, (point, adjuster)."""
        turned = self.amounts * self.axis_phasor
        chosen = self.axis_adjuster[:, None] == np.arange(len(self.adjusters))
        return np.asarray(turned @ chosen)

    def without(self, *points: int) -> Equations:
        """Return the equations of the other points."""
        keep = ~np.isin(np.arange(len(self.reading)), points)
        return replace(
            self, reading=self.reading[keep], amounts=self.amounts[keep], read=self.read[keep]
        )

    def scatter(self, effects: Complex) -> Real:
        """Return the covariance of each equation for a share of 1, (point, 2, 2), real and imag.

        effects: (adjuster,).
        """
        turned = effects[self.axis_adjuster] * self.axis_phasor * self.scale[self.axis_adjuster]
        parts = np.stack([turned.real, turned.imag])
        of_axis = (parts[:, None] * parts).reshape(4, -1)
        covariance = (self.read.astype(float) @ of_axis.T).reshape(-1, 2, 2)
        full_scale = float(np.max(np.abs(self.reading), initial=0.0))
        return np.asarray(covariance + 0.25 * full_scale**2 * np.eye(2))


@dataclass(frozen=True, eq=False)
class ChartFit:
    """What a chart's points say.

    effects: (adjuster,) complex, lag, reading per unit on the first blade. covariance: of their
    real and imaginary parts one after the other, (2 adjuster, 2 adjuster), at the share found.
    share: by how much of the full scale the amounts scatter, one standard deviation, the
    expectation counted in. share_of_points: by the points alone; None where nothing is over.
    spare: equations more than unknowns.
    """

    chart: PlottedChart
    equations: Equations
    effects: Complex
    covariance: Real
    share: float
    share_of_points: float | None
    spare: int

    @property
    def adjusters(self) -> tuple[str, ...]:
        """The adjusters that the chart moves, in the rotor file's order."""
        return self.equations.adjusters

    @property
    def agreement(self) -> Agreement:
        """How well the points go together, by the share by which they scatter."""
        if self.share_of_points is None:
            return "unchecked"
        times = self.share_of_points / EXPECTED_SHARE
        return "well" if times <= _ROUGH else "roughly" if times <= _BAD else "badly"

    @property
    def sd(self) -> Real:
        """Standard deviation of each effect per component, (adjuster,), by reading the chart."""
        variances = np.diag(self.covariance)
        count = len(self.effects)
        return np.sqrt((variances[:count] + variances[count:]) / 2.0)


def equations(rotor: Rotor, chart: PlottedChart, points: Sequence[PlottedPoint]) -> Equations:
    """Return points of a chart as equations; axes in the order of the rotor file."""
    order = rotor.sensor(chart.sensor).order
    named = {axis for point in points for axis in point.amounts}
    axes = tuple(
        (blade, adjuster)
        for adjuster in rotor.adjuster_names
        for blade in rotor.blades
        if (blade, adjuster) in named
    )
    moved = {a for point in points for (_, a), amount in point.amounts.items() if amount != 0.0}
    adjusters = tuple(a for a in rotor.adjuster_names if a in moved)
    axes = tuple(axis for axis in axes if axis[1] in moved)
    amounts = np.array([[p.amounts.get(axis, 0.0) for axis in axes] for p in points])
    read = np.array([[axis in p.amounts for axis in axes] for p in points], dtype=bool)
    shape = len(points), len(axes)
    phasors = dict(zip(rotor.blades, blade_phasors(rotor, order), strict=True))
    axis_adjuster = np.array([adjusters.index(a) for _, a in axes], dtype=np.intp)
    scale = np.array(
        [np.max(np.abs(amounts[:, axis_adjuster == i])) for i in range(len(adjusters))]
    )
    return Equations(
        adjusters,
        axes,
        np.array([p.reading for p in points], dtype=complex),
        amounts.reshape(shape),
        read.reshape(shape),
        axis_adjuster,
        np.array([phasors[blade] for blade, _ in axes], dtype=complex),
        scale,
    )


def fit_chart(rotor: Rotor, chart: PlottedChart) -> ChartFit:
    """Return the effects that one chart's points show.

    One adjuster needs one point, two need two that do not lie on one line through the middle.
    Raises CannotBeMet when the points do not tell the effects, with what to plot.

    >>> from adapt.rotor import Adjuster, Regime, Sensor
    >>> weight = Adjuster("weight", "g", 1.0, (0.0, 50.0))
    >>> fan = Rotor("fan", ("1", "2", "3"), 1200.0, (Sensor("bearing", "mm/s"),),
    ...             (Regime("full speed"),), (weight,), ())
    >>> point = PlottedPoint("1", -2.0 + 0.0j, {("1", "weight"): 10.0})
    >>> complex(fit_chart(fan, PlottedChart("bearing", "full speed", (point,))).effects[0])
    (0.2+0j)
    """
    eqs = equations(rotor, chart, chart.points)
    where = f"the chart of {chart.sensor} in {chart.regime}"
    if not eqs.adjusters:
        raise CannotBeMet(f"{where}: all amounts are 0; plot readings that need a correction")
    if not np.any(eqs.reading):
        raise CannotBeMet(f"{where}: all readings are 0; plot readings that need a correction")
    count = len(eqs.adjusters)
    if len(chart.points) < count:
        raise CannotBeMet(
            f"{where} moves {count} adjusters ({', '.join(eqs.adjusters)}) and has "
            f"{len(chart.points)} of the {count} points that this needs at least; plot more, "
            "about a quarter turn apart"
        )
    if not determined(eqs):
        raise CannotBeMet(
            f"{where}: its points do not tell {' and '.join(eqs.adjusters)} apart, because their "
            "amounts stand in one proportion; plot a reading about a quarter turn from the others"
        )
    effects, inverse, squares = fitted(eqs)
    spare = 2 * len(chart.points) - 2 * count
    counted = EXPECTATION_COUNTS * EXPECTED_SHARE**2 + squares
    share = float(np.sqrt(counted / (EXPECTATION_COUNTS + spare)))
    return ChartFit(
        chart,
        eqs,
        effects,
        share**2 * inverse,
        share,
        float(np.sqrt(squares / spare)) if spare else None,
        spare,
    )


def determined(eqs: Equations) -> bool:
    """Return whether the points tell the effects of all adjusters apart.

    Readings of 0 tell nothing: they would do so with any chart whose effects are 0.
    """
    if not np.any(eqs.reading):
        return False
    scaled = eqs.sums / eqs.scale
    values = np.linalg.svd(scaled, compute_uv=False)
    return bool(len(values) == len(eqs.adjusters) and values[-1] > _NEAR_SINGULAR * values[0])


def fitted(eqs: Equations) -> tuple[Complex, Real, float]:
    """Return effects, their covariance for a share of 1 (real, then imaginary), and the misfit.

    The misfit is the sum of squares in shares of full scale: about (share)^2 for each spare
    equation. Generalised least squares: the weights follow from the effects.
    """
    count = len(eqs.adjusters)
    sums = eqs.sums
    rows = np.concatenate(
        [
            np.concatenate([sums.real, -sums.imag], axis=1)[:, None, :],
            np.concatenate([sums.imag, sums.real], axis=1)[:, None, :],
        ],
        axis=1,
    )  # (point, 2, 2 adjuster)
    wanted = -np.stack([eqs.reading.real, eqs.reading.imag], axis=1)
    flat = rows.reshape(-1, 2 * count)
    solution = np.linalg.lstsq(flat, wanted.reshape(-1), rcond=None)[0]
    inverse = np.full((2 * count, 2 * count), np.nan)
    misfit = np.nan
    for _ in range(_ROUNDS):
        effects = solution[:count] + 1j * solution[count:]
        # One product of flat tables a sum: every point is left out once, so this is the work.
        weight = _inverse(eqs.scatter(effects))
        weighted = (weight @ rows).reshape(flat.shape)
        inverse = np.linalg.inv(flat.T @ weighted)
        solution = inverse @ (weighted.T @ wanted.reshape(-1))
        left = wanted - rows @ solution
        misfit = float((left * (weight @ left[:, :, None])[:, :, 0]).sum())
    return solution[:count] + 1j * solution[count:], inverse, misfit


def _inverse(covariance: Real) -> Real:
    """Return the inverse of each symmetric matrix of two rows, (point, 2, 2)."""
    a, b, d = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    turned = np.stack([d, -b, -b, a], axis=1).reshape(-1, 2, 2)
    return np.asarray(turned / (a * d - b * b)[:, None, None])


def amounts_said(eqs: Equations, effects: Complex) -> Real:
    """Return the amounts nearest to those read that the effects give for each reading.

    (point, axis): of all amounts that bring the reading to nothing on the axes that were read,
    those nearest to what was read, in shares of each adjuster's largest; where the axes cannot
    bring it to nothing, those that come nearest. NaN on axes that were not read.
    """
    scale = eqs.scale[eqs.axis_adjuster]
    turned = effects[eqs.axis_adjuster] * eqs.axis_phasor * scale
    said = np.full(eqs.amounts.shape, np.nan)
    for i, (reading, amounts, read) in enumerate(
        zip(eqs.reading, eqs.amounts, eqs.read, strict=True)
    ):
        columns = np.stack([turned[read].real, turned[read].imag])
        left = reading + turned[read] @ (amounts[read] / scale[read])
        step = np.linalg.lstsq(columns, -np.array([left.real, left.imag]), rcond=None)[0]
        said[i, read] = amounts[read] + scale[read] * step
    return said
