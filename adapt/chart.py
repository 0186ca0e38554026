"""The paper chart of a rotor design as a table of numbers, with its reader and writer.

A chart is the prior of the learner; what it is worth against outcomes lives in `outcomes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike

import numpy as np
import numpy.typing as npt

from adapt.columns import (
    check_plain_units,
    check_units,
    known_positions,
    peaks,
    without_duplicates,
)
from adapt.delimited import write_csv
from adapt.findings import Findings
from adapt.phasor import from_lag, phase_deg, to_complex, to_lag
from adapt.problems import Problem
from adapt.rotor import Rotor
from adapt.tables import Table, read_table

__all__ = ["SPREAD_OF_AMPLITUDE", "Chart", "read_chart", "write_chart"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

SPREAD_OF_AMPLITUDE = 0.25  # one standard deviation per component, where the chart gives none
_NO_SPREAD = "a spread above 0, or nothing: one of 0 is taken as exact, whatever runs show"
_HEADER = ("sensor", "regime", "adjuster", "amplitude", "phase_deg", "spread", "height")


@dataclass(frozen=True, eq=False)
class Chart:
    """The paper chart of a rotor design. Axes follow the rotor file.

    mean: complex (lag), shape (channel, adjuster), per unit on the first blade; NaN = no row.
    sd: per component, shape (channel, adjuster); NaN = no row.
    track_mean, track_sd: shape (regime, adjuster); a missing track row is 0 with sd 0 (no effect).
    doubts: what was doubtful in the file and used.
    """

    mean: Complex
    sd: Real
    track_mean: Real
    track_sd: Real
    source: str = ""
    doubts: tuple[Problem, ...] = ()


def read_chart(path: str | PathLike[str], rotor: Rotor, file: str | None = None) -> Chart:
    """Read a chart (CSV or .xlsx): the effect of one unit of an adjuster on the first blade.

    file: how messages and `Chart.source` name the file (the path when None).

    A combination sensor without a row of its own gets its parts' rows, variances added.
    Raises BadInput with every problem found.
    """
    table = read_table(path, file=file)
    findings = Findings()
    findings.add(table.problems)
    table.require(["sensor", "regime", "adjuster", "amplitude"])
    if "clock" not in table and "phase_deg" not in table:
        table.require(["clock"])
    findings.require_rows(table, "a row for each effect")
    of_track = ~table.column("sensor").each(bool, bool)
    regime = known_positions(
        table, "regime", rotor.regime_names, "a regime of the rotor file", findings
    )
    adjuster = known_positions(
        table, "adjuster", rotor.adjuster_names, "an adjuster of the rotor file", findings
    )
    check_plain_units(table, findings)
    mean, sd = _vibration(rotor, table, ~of_track, regime, adjuster, findings)
    track_mean, track_sd = _track(rotor, table, of_track, regime, adjuster, findings)
    findings.raise_if_any()
    _derive_combinations(rotor, mean, sd)
    return Chart(mean, sd, track_mean, track_sd, table.file, tuple(findings.doubts))


def _vibration(
    rotor: Rotor,
    table: Table,
    rows: npt.NDArray[np.bool_],
    regime: npt.NDArray[np.intp],
    adjuster: npt.NDArray[np.intp],
    findings: Findings,
) -> tuple[Complex, Real]:
    names = [s.name for s in rotor.sensors]
    sensor = known_positions(table, "sensor", names, "a sensor of the rotor file", findings, rows)
    units = np.array([*(s.unit for s in rotor.sensors), ""], dtype=object)[sensor]
    check_units(table, ("amplitude", "spread"), units, "sensor", findings)
    amplitude, phase, right = peaks(table, rows, findings)
    spread, bad_spread = table.numbers("spread")
    bad_spread |= spread < 0
    findings.fault(table, rows & bad_spread, "spread", "a number of at least 0, or nothing")
    findings.doubt(table, rows & (amplitude > 0) & (spread == 0), "spread", _NO_SPREAD)
    with_height = rows & table.column("height").each(bool, bool)
    findings.fault(table, with_height, "height", "nothing in a row that names a sensor")

    clean = right & ~bad_spread & (sensor >= 0)
    clean &= (regime >= 0) & (adjuster >= 0)
    channel = sensor * len(rotor.regimes) + regime
    key = channel * len(rotor.adjusters) + adjuster
    once = "one row for a sensor, regime and adjuster"
    clean = without_duplicates(table, key, clean, "adjuster", once, findings)
    phase = np.where(np.isnan(phase), 0.0, phase)
    value = to_complex(np.where(clean, amplitude, 0.0), phase)
    lead = np.array([*(s.phase == "lead" for s in rotor.sensors), False])[sensor]
    value = np.where(lead, to_lag(value, "lead"), value)
    mean = np.full((len(rotor.channels), len(rotor.adjusters)), np.nan, dtype=complex)
    sd = np.full(mean.shape, np.nan)
    at = channel[clean], adjuster[clean]
    mean[at] = value[clean]
    sd[at] = spread[clean]
    return mean, np.where(np.isnan(sd), SPREAD_OF_AMPLITUDE * _usual(rotor, mean), sd)


def _usual(rotor: Rotor, mean: Complex) -> Real:
    """Return how large effects are, (channel, adjuster): that of the chart, where it is not 0.

    An effect that the chart gives as 0 is too small to be drawn, not exactly nothing. What it might
    be: as large as the adjuster's others at that sensor, or else, a step for a step, as the
    smallest of the other adjusters there.
    """
    size = np.abs(mean)
    step = np.array([a.step for a in rotor.adjusters])
    for rows in np.split(np.arange(len(size)), len(rotor.sensors)):
        some = np.where(size[rows] > 0, size[rows], np.nan)
        count = (some > 0).sum(axis=0)
        own = np.sqrt(np.nansum(some**2, axis=0) / np.maximum(count, 1))
        least = np.min((own * step)[count > 0], initial=np.inf)
        own = np.where(count > 0, own, least / step if np.isfinite(least) else 0.0)
        size[rows] = np.where(size[rows] == 0, own, size[rows])
    return size


def _track(
    rotor: Rotor,
    table: Table,
    rows: npt.NDArray[np.bool_],
    regime: npt.NDArray[np.intp],
    adjuster: npt.NDArray[np.intp],
    findings: Findings,
) -> tuple[Real, Real]:
    mean = np.zeros((len(rotor.regimes), len(rotor.adjusters)))
    sd = np.zeros(mean.shape)
    if not rotor.has_track:
        expected = "a sensor: the rotor file has no track_unit, so there are no track rows"
        findings.fault(table, rows, "sensor", expected)
        return mean, sd
    units = np.where(rows, str(rotor.track_unit), "").astype(object)
    check_units(table, ("height",), units, "track", findings)
    height, bad = table.numbers("height")
    bad = rows & (bad | np.isnan(height))
    findings.fault(table, bad, "height", "a number, in a row without a sensor")
    spread, bad_spread = table.numbers("spread")
    bad_spread |= spread < 0
    findings.fault(table, rows & bad_spread, "spread", "a number of at least 0, or nothing")
    findings.doubt(table, rows & (np.abs(height) > 0) & (spread == 0), "spread", _NO_SPREAD)
    for column in ("amplitude", "clock", "phase_deg"):
        filled = rows & table.column(column).each(bool, bool)
        findings.fault(table, filled, column, "nothing in a row without a sensor (track)")
    clean = rows & ~bad & ~bad_spread & (regime >= 0) & (adjuster >= 0)
    key = regime * len(rotor.adjusters) + adjuster
    once = "one track row for a regime and adjuster"
    clean = without_duplicates(table, key, clean, "adjuster", once, findings)
    at = regime[clean], adjuster[clean]
    mean[at] = height[clean]
    sd[at] = np.where(np.isnan(spread), SPREAD_OF_AMPLITUDE * np.abs(height), spread)[clean]
    return mean, sd


def _derive_combinations(rotor: Rotor, mean: Complex, sd: Real) -> None:
    """Fill the rows that combination sensors lack from those of their parts, in place."""
    count = len(rotor.regimes)
    start = {s.name: i * count for i, s in enumerate(rotor.sensors)}
    for sensor in rotor.sensors:
        if sensor.combination is None:
            continue
        parts = [(slice(start[p], start[p] + count), k) for p, k in sensor.combination.items()]
        own = slice(start[sensor.name], start[sensor.name] + count)
        made = np.sum([k * mean[rows] for rows, k in parts], axis=0)
        made_sd = np.sqrt(np.sum([(k * sd[rows]) ** 2 for rows, k in parts], axis=0))
        lacking = np.isnan(mean[own])
        mean[own] = np.where(lacking, made, mean[own])
        sd[own] = np.where(lacking, made_sd, sd[own])


def write_chart(chart: Chart, rotor: Rotor, path: str | PathLike[str], digits: int = 17) -> None:
    """Write a chart as CSV, phases in each sensor's own convention, to be read back to rounding.

    digits: significant ones of each number. Raises AdaptError when the file cannot be written.
    """

    def short(value: float) -> float:
        return float(f"{value:.{digits}g}")

    rows: list[tuple[object, ...]] = []
    for i, (name, regime) in enumerate(rotor.channels):
        convention = rotor.sensor(name).phase
        for j, adjuster in enumerate(rotor.adjuster_names):
            value = chart.mean[i, j]
            if not np.isnan(value):
                phase = short(float(phase_deg(from_lag(value, convention))))
                amplitude, sd = short(abs(value)), short(chart.sd[i, j])
                rows.append((name, regime, adjuster, amplitude, phase, sd, None))
    for i, regime in enumerate(rotor.regime_names):
        for j, adjuster in enumerate(rotor.adjuster_names):
            height, sd = chart.track_mean[i, j], chart.track_sd[i, j]
            if height != 0 or sd != 0:
                rows.append((None, regime, adjuster, None, None, short(sd), short(height)))
    write_csv(path, _HEADER, rows)
