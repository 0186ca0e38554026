"""The two correction axes of a paper chart: which they are, and what one unit of each does.

An axis is an adjuster on a blade. A reading z is corrected by the amounts x that solve
z + e1 x1 + e2 x2 = 0, two real equations in two real unknowns. Axes need not stand square: blades
120 deg apart do not, nor do span and chord of one blade. Where things stand on paper: `page`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from adapt.balancing.paper.adjusters import blades_for, most_of, rank
from adapt.coefficients import Coefficients
from adapt.coefficients.intervals import holds_zero
from adapt.coefficients.values import component_sd
from adapt.effects import blade_phasors
from adapt.phasor import from_lag
from adapt.problems import BadInput, CannotBeMet, one_of, shown
from adapt.rotor import Adjuster, Rotor

__all__ = ["LEAST_ANGLE_DEG", "Axes", "Axis", "choose_axes"]

LEAST_ANGLE_DEG = 15.0  # below it a small error of the reading becomes large amounts that cancel
WEAK = 0.25  # of what the largest move of another adjuster does
# A turn by which two axes may differ in squareness and still count as equal: rounding.
EQUAL = 1e-9

Complex = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Axis:
    """An adjuster on a blade."""

    blade: str
    adjuster: str

    def __str__(self) -> str:
        return f"{self.adjuster} on blade {self.blade}"


@dataclass(frozen=True, eq=False)
class Axes:
    """Two axes of one reading, in the sensor's own convention (a lead sensor's are conjugated).

    pair: the two axes. effects: complex, (2,): what one unit of each adds to the reading [sensor
    unit per adjuster unit]. cov: (2, 2), covariance of the effects, circular normal. sensor,
    regime: the reading; serial: the rotor, None = a rotor of the type with no runs of its own.
    """

    sensor: str
    regime: str
    serial: str | None
    pair: tuple[Axis, Axis]
    effects: Complex
    cov: Complex

    @property
    def angle_deg(self) -> float:
        """Angle between the axes as lines, from 0 (parallel) to 90 [deg]."""
        return _angle_deg(self.effects[0], self.effects[1])

    def amounts_for(self, reading: complex) -> tuple[float, float]:
        """Return the amounts [adjuster units] that bring a reading of the sensor's own to nothing.

        >>> square = Axes("s", "r", None, (Axis("A", "w"), Axis("B", "w")), np.array([0.5, 0.5j]),
        ...               np.zeros((2, 2)))
        >>> square.amounts_for(1.0 - 1.5j)
        (-2.0, 3.0)
        """
        first, second = (complex(e) for e in self.effects)
        # Cramer's rule; a x b of plane vectors is Im(conj(a) b).
        whole = _cross(first, second)
        return (
            _cross(second, reading) / whole + 0.0,
            _cross(reading, first) / whole + 0.0,
        )

    def left_of(self, reading: complex, amounts: Sequence[float]) -> complex:
        """Return what is left of a reading after amounts, predicted; the sensor's own convention.

        amounts: (2,) [adjuster units].
        """
        return complex(reading + self.effects[0] * amounts[0] + self.effects[1] * amounts[1])

    def effect_var(self, amounts: Sequence[float]) -> float:
        """Return the variance, E|.|^2, of what amounts (2,) do, as far as effects are not known."""
        x = np.asarray(amounts, dtype=float)
        return max(0.0, float((x @ self.cov @ x).real))


def choose_axes(
    rotor: Rotor,
    coefficients: Coefficients,
    sensor: str,
    regime: str,
    serial: str | None = None,
    named: Iterable[tuple[str, str]] = (),
) -> Axes:
    """Return the two axes of a chart for one reading.

    named: two (blade, adjuster); none: with three blades or more one adjuster on the first blade
    and on the blade that stands nearest to square to it, else two adjusters on the first blade;
    weights come before pitch links and tabs, but one adjuster whose largest move does less than a
    quarter of what another's does comes last. serial: whose coefficients; None: a rotor of the type
    that has no runs of its own. Raises BadInput with every name that is not known, CannotBeMet when
    no two axes are known well enough or all stand within 15 deg of parallel.
    """
    wanted = [Axis(*pair) for pair in named]
    _require_names(rotor, coefficients, sensor, regime, serial, wanted)
    known = _Known(rotor, coefficients, sensor, regime, serial)
    if wanted:
        lacking = [f"{axis}: {why}" for axis in wanted if (why := known.why_not(axis.adjuster))]
        if lacking:
            raise CannotBeMet(
                f"{_where(sensor, regime)}: no chart can be drawn. {known.told(lacking)}"
            )
        axes = known.axes(wanted[0], wanted[1])
        if axes.angle_deg < LEAST_ANGLE_DEG:
            raise CannotBeMet(
                f"{_where(sensor, regime)}: {axes.pair[0]} and {axes.pair[1]} stand only "
                f"{axes.angle_deg:.0f} deg from parallel (at least {LEAST_ANGLE_DEG:.0f} needed): "
                "small errors of the reading would ask for large amounts against each other; name "
                "other axes"
            )
        return axes
    return _default(rotor, known)


class _Known:
    """What is known of every adjuster's effect on one reading."""

    def __init__(
        self,
        rotor: Rotor,
        coefficients: Coefficients,
        sensor: str,
        regime: str,
        serial: str | None,
    ) -> None:
        self.names = sensor, regime, serial
        self.rotor = rotor
        self.sensor = rotor.sensor(sensor)
        self.turns = blade_phasors(rotor, self.sensor.order)
        posterior = coefficients.unseen if serial is None else coefficients.of(serial)
        row = coefficients.channels.index((sensor, regime))
        self.mean = posterior.mean[row]
        self.cov = posterior.cov[row]
        self.sd = component_sd(posterior.cov)[row]
        self.moved = _moved(coefficients, sensor, serial)
        self.column = {name: a for a, name in enumerate(rotor.adjuster_names)}

    def why_not(self, adjuster: str) -> str | None:
        """Return why an adjuster's effect cannot be drawn; None when it can."""
        a = self.column[adjuster]
        if not (np.isfinite(self.mean[a]) and np.isfinite(self.sd[a])):
            return "nothing informs its effect (no chart row, never moved)"
        if holds_zero(self.mean[a], self.sd[a]):
            return "its effect is not known well enough: zero cannot be ruled out"
        return None

    def told(self, lacking: Sequence[str]) -> str:
        """Return what is lacking, and what it may come from."""
        return "; ".join(lacking) + (self.moved if lacking else "")

    def is_weak(self, adjuster: Adjuster, others: Sequence[Adjuster]) -> bool:
        """Return whether an adjuster's largest move does little beside what others' do."""
        done = [abs(self.mean[self.column[a.name]]) * most_of(a) for a in (adjuster, *others)]
        return bool(done[0] < WEAK * max(done))

    def axes(self, first: Axis, second: Axis) -> Axes:
        at = [self.column[axis.adjuster] for axis in (first, second)]
        turn = self.turns[[self.rotor.blades.index(axis.blade) for axis in (first, second)]]
        effects = turn * self.mean[at]
        cov = turn[:, None] * self.cov[np.ix_(at, at)] * turn.conj()
        sensor, regime, serial = self.names
        return Axes(
            sensor, regime, serial, (first, second),
            from_lag(effects, self.sensor.phase), from_lag(cov, self.sensor.phase),
        )  # fmt: skip


def _default(rotor: Rotor, known: _Known) -> Axes:
    """Return the axes for whom none were named."""
    usable = [a for a in rotor.adjusters if known.why_not(a.name) is None]
    usable.sort(key=rank)
    tried: list[Axes] = []
    if len(rotor.blades) > 2:
        for adjuster in sorted(usable, key=lambda a: known.is_weak(a, usable)):
            blades = blades_for(rotor, adjuster)
            pairs = [
                known.axes(Axis(blades[0], adjuster.name), Axis(b, adjuster.name))
                for b in blades[1:]
            ]
            tried += pairs
            if pairs and (best := _squarest(pairs)).angle_deg >= LEAST_ANGLE_DEG:
                return best
    on_one = [
        (rank(one) + rank(other), known.axes(Axis(b, one.name), Axis(b, other.name)))
        for one, other in combinations(usable, 2)
        if (b := next((b for b in blades_for(rotor, one) if b in blades_for(rotor, other)), None))
    ]
    tried += [axes for _, axes in on_one]
    square = [(r, axes) for r, axes in on_one if axes.angle_deg >= LEAST_ANGLE_DEG]
    if square:
        best_rank = min(r for r, _ in square)
        return _squarest([axes for r, axes in square if r == best_rank])
    where = _where(*known.names[:2])
    not_known = [
        f"{a.name}: {why}" for a in rotor.adjusters if (why := known.why_not(a.name)) is not None
    ]
    if tried:
        best = _squarest(tried)
        reason = (
            f"the two axes that stand most nearly square, {best.pair[0]} and {best.pair[1]}, are "
            f"{best.angle_deg:.0f} deg from parallel (at least {LEAST_ANGLE_DEG:.0f} needed)."
        )
    elif usable:
        reason = (
            f"only {usable[0].name} is known here, and one adjuster on {len(rotor.blades)} "
            f"{'blade' if len(rotor.blades) == 1 else 'blades'} moves the reading along one line."
        )
    else:
        reason = "no adjuster's effect is known here."
    raise CannotBeMet(f"{where}: no chart can be drawn: {reason} {known.told(not_known)}".strip())


def _squarest(listed: Sequence[Axes]) -> Axes:
    """Return the axes nearest to square; the earliest of equal ones."""
    most = max(axes.angle_deg for axes in listed)
    return next(axes for axes in listed if axes.angle_deg >= most - EQUAL * 90.0)


def _require_names(
    rotor: Rotor,
    coefficients: Coefficients,
    sensor: str,
    regime: str,
    serial: str | None,
    wanted: Sequence[Axis],
) -> None:
    """Raise BadInput with every name that is not known, and every axis that cannot be."""
    wrong: list[str] = []

    def need(what: str, name: str, expected: str, known: Iterable[str]) -> bool:
        names = tuple(known)
        if name not in names:
            wrong.append(f"{what}: found {shown(name)}, expected {one_of(expected, name, names)}")
        return name in names

    need("sensor", sensor, "a sensor of the rotor file", [s.name for s in rotor.sensors])
    need("regime", regime, "a regime of the rotor file", rotor.regime_names)
    if serial is not None:
        need("serial", serial, "a rotor with runs in the log", coefficients.rotors)
    for axis in wanted:
        has_blade = need("axis", axis.blade, "a blade of the rotor file", rotor.blades)
        has = need("axis", axis.adjuster, "an adjuster of the rotor file", rotor.adjuster_names)
        if has and has_blade:
            allowed = blades_for(rotor, rotor.adjuster(axis.adjuster))
            need(f"axis {axis.adjuster}", axis.blade, "a blade that can take it", allowed)
    if wanted and len(wanted) != 2:
        wrong.append(f"axis: found {len(wanted)}, expected two, or none for the usual ones")
    elif wanted and wanted[0] == wanted[1]:
        wrong.append(f"axis: found {wanted[0]} twice, expected two that differ")
    if wrong:
        raise BadInput("\n".join(wrong))


def _moved(coefficients: Coefficients, sensor: str, serial: str | None) -> str:
    """Return what is to be said of a reference or sensor that moved nobody knows how far."""
    rows = [
        row
        for row in coefficients.references
        if row["rotor"] == serial and row["sensor"] in (None, sensor) and not row.get("known", True)
    ]
    if serial is None or not rows:
        return ""
    what = "reference" if rows[-1]["sensor"] is None else "sensor"
    where = f"run {rows[-1]['after_run']} of {rows[-1]['job']}"
    return f". The {what} moved after {where}, and no pair since shows by how much"


def _cross(a: complex, b: complex) -> float:
    return a.real * b.imag - a.imag * b.real


def _angle_deg(a: complex, b: complex) -> float:
    sine = abs(_cross(a, b)) / (abs(a) * abs(b)) if a != 0 and b != 0 else 0.0
    return math.degrees(math.asin(min(1.0, sine)))


def _where(sensor: str, regime: str) -> str:
    return f"{sensor} in {regime}"
