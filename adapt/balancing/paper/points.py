"""Readings plotted on a paper chart and the amounts that the chart says for each: values, reader.

What the chart's effects then are is worked out in `fitting`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from os import PathLike

import numpy as np
import numpy.typing as npt

from adapt.columns import check_plain_units, check_units, known_positions, phases, same_unit
from adapt.findings import Findings, Mask
from adapt.phasor import to_complex, to_lag
from adapt.problems import shown
from adapt.rotor import Rotor
from adapt.tables import Table, read_table

__all__ = ["PlottedChart", "PlottedPoint", "read_points"]

Real = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


@dataclass(frozen=True)
class PlottedPoint:
    """One reading plotted on a chart, and what the chart says to do about it.

    reading: complex, lag, in the sensor's unit. amounts: (blade, adjuster) -> signed amount in the
    adjuster's unit; an axis that the chart was not read on is not in it. row: where it begins.
    """

    name: str
    reading: complex
    amounts: Mapping[tuple[str, str], float]
    row: int | None = None


@dataclass(frozen=True)
class PlottedChart:
    """The points of one paper chart: one sensor in one regime."""

    sensor: str
    regime: str
    points: tuple[PlottedPoint, ...]
    source: str = ""


def read_points(path: str | PathLike[str], rotor: Rotor) -> tuple[PlottedChart, ...]:
    """Read a table (CSV or .xlsx) of plotted readings and what the chart says for each.

    Columns: point, sensor, regime, amplitude, clock or phase_deg, blade, adjuster, amount; one row
    for each amount. The reading of a point stands in its first row and may be repeated in others.
    Charts come in the order in which they begin. Raises BadInput with every problem found.
    """
    table = read_table(path)
    findings = Findings()
    findings.add(table.problems)
    table.require(["point", "sensor", "regime", "amplitude", "blade", "adjuster", "amount"])
    if "clock" not in table and "phase_deg" not in table:
        table.require(["clock"])
    check_plain_units(table, findings)
    rows = _Rows(table, rotor, findings)
    charts = rows.charts()
    findings.require_rows(table, "a row for each amount of a point")
    findings.raise_if_any()
    return charts


class _Rows:
    """The rows of one table, checked column by column."""

    def __init__(self, table: Table, rotor: Rotor, findings: Findings) -> None:
        self.table, self.rotor, self.findings = table, rotor, findings
        self.names = table.text("point")
        unnamed = np.array([not name for name in self.names], dtype=bool)
        findings.fault(table, unnamed, "point", "the point's name, such as 1")
        self.starts = self._starts()
        self.first = self.starts == np.arange(len(table))
        self.sensor = self._known("sensor", [s.name for s in rotor.sensors], "a sensor")
        self.regime = self._known("regime", rotor.regime_names, "a regime")
        self.amplitude, self.phase = self._readings()
        every = np.ones(len(table), dtype=bool)
        self.blade = self._known("blade", rotor.blades, "a blade", every)
        self.adjuster = self._known("adjuster", rotor.adjuster_names, "an adjuster", every)
        self.amount, bad = table.numbers("amount")
        findings.fault(table, bad | np.isnan(self.amount), "amount", "a number, signed; 0 for none")
        units = np.array([*(a.unit for a in rotor.adjusters), ""], dtype=object)[self.adjuster]
        _refuse_other_unit(table, units, findings)
        self._once()
        self._same_reading()

    def _starts(self) -> Index:
        """Return for each row the row in which its point begins, (row,).

        A row goes on with the point of its name above it unless it names another sensor or regime:
        people number the points of each chart from 1.
        """
        sensors, regimes = self.table.text("sensor"), self.table.text("regime")
        begun: dict[str, int] = {}
        starts = np.zeros(len(self.table), dtype=np.intp)
        for i, name in enumerate(self.names):
            k = begun.get(name, i)
            same = sensors[i] in ("", sensors[k]) and regimes[i] in ("", regimes[k])
            starts[i] = begun[name] = k if same else i
        return starts

    def _known(
        self, column: str, names: Sequence[str], what: str, among: Mask | None = None
    ) -> Index:
        asked = self._asked(column) if among is None else among
        return known_positions(
            self.table, column, names, f"{what} of the rotor file", self.findings, asked
        )

    def _asked(self, column: str) -> Mask:
        filled: Mask = self.table.column(column).each(bool, bool)
        return filled | self.first

    def _readings(self) -> tuple[Real, Real]:
        table, findings = self.table, self.findings
        units = np.array([*(s.unit for s in self.rotor.sensors), ""], dtype=object)[self.sensor]
        check_units(table, ("amplitude",), units, "sensor", findings)
        amplitude, bad = table.numbers("amplitude")
        bad |= amplitude < 0
        lacking = self.first & ~bad & np.isnan(amplitude)
        findings.fault(table, bad | lacking, "amplitude", "a number of at least 0")
        asked = self._asked("clock") | self._asked("phase_deg")
        phase, bad_phase = phases(table, asked, findings)
        without = self.first & ~bad_phase & (amplitude > 0) & np.isnan(phase)
        expected = "a clock angle or phase_deg beside this amplitude"
        findings.fault(table, without, "clock", expected, found="no phase")
        return amplitude, phase

    def _once(self) -> None:
        """Note an axis of a point that stands there twice."""
        seen: set[tuple[int, int, int]] = set()
        twice = []
        for i, key in enumerate(zip(self.starts, self.blade, self.adjuster, strict=True)):
            if min(key) >= 0 and key in seen:
                twice.append(i)
            seen.add(key)
        once = "one row for a point, blade and adjuster"
        self.findings.fault(self.table, np.array(twice, dtype=np.intp), "adjuster", once)

    def _same_reading(self) -> None:
        """Note rows that repeat the reading of their point in other numbers."""
        for i, k in enumerate(self.starts):
            clock = "clock" if self.table.text("clock")[i] else "phase_deg"
            for column, values in (("amplitude", self.amplitude), (clock, self.phase)):
                if abs(values[i] - values[k]) > 0:  # NaN: nothing is repeated
                    row = int(self.table.rows[k])
                    expected = f"the reading of this point as in row {row}, or nothing"
                    self.findings.fault(self.table, [i], column, expected)

    def charts(self) -> tuple[PlottedChart, ...]:
        """Return the points by sensor and regime; nothing when something was wrong."""
        if self.findings.faults or self.findings.refused:
            return ()
        rotor = self.rotor
        points: dict[tuple[str, str], list[PlottedPoint]] = {}
        for k in np.flatnonzero(self.first):
            sensor = rotor.sensors[self.sensor[k]]
            phase = 0.0 if np.isnan(self.phase[k]) else self.phase[k]
            reading = complex(to_lag(to_complex(self.amplitude[k], phase), sensor.phase))
            amounts = {
                (rotor.blades[self.blade[i]], rotor.adjuster_names[self.adjuster[i]]): float(
                    self.amount[i]
                )
                for i in np.flatnonzero(self.starts == k)
            }
            key = sensor.name, rotor.regime_names[self.regime[k]]
            point = PlottedPoint(str(self.names[k]), reading, amounts, int(self.table.rows[k]))
            points.setdefault(key, []).append(point)
        file = self.table.file
        return tuple(PlottedChart(*key, tuple(found), file) for key, found in points.items())


def _refuse_other_unit(table: Table, units: npt.NDArray[np.object_], findings: Findings) -> None:
    """Refuse amounts in a unit that is not that of every adjuster named beside them."""
    said = table.columns["amount"].unit
    if said is None:
        return
    other = np.array([bool(u) and not same_unit(said, u) for u in units], dtype=bool)
    findings.refuse(
        table,
        np.flatnonzero(other)[:1],
        "amount",
        lambda i: f"{units[i]}, the unit of this adjuster in the rotor file",
        found=f"the unit {shown(said)} in the header",
        jobs=False,
    )
