"""Tables of readings before and after, read as pairs, with the scatter and the moves between.

Columns sensor, regime, amplitude and clock or phase_deg. What the pairs look like lives in
`looks_turned`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike

import numpy as np
import numpy.typing as npt

from adapt.balancing.setup.looks_turned import Pairs
from adapt.balancing.setup.turns import shown_name
from adapt.chart import Chart
from adapt.columns import (
    check_plain_units,
    check_units,
    known_positions,
    peaks,
    without_duplicates,
)
from adapt.effects import channel_sums
from adapt.findings import Findings
from adapt.phasor import LARGEST_NUMBER, to_complex, to_lag
from adapt.problems import AdaptError, BadInput, CannotBeMet, Problem
from adapt.rotor import Rotor
from adapt.tables import read_table

__all__ = ["BeforeAfter", "read_before_after"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class BeforeAfter:
    """Pairs, the readings before as they were, and what stands in one of the tables alone.

    before: complex (lag), (pair,). alone: sensor and regime.
    """

    pairs: Pairs
    before: Complex
    alone: tuple[tuple[str, str], ...]


def read_before_after(
    before: str | PathLike[str],
    after: str | PathLike[str],
    rotor: Rotor,
    scatter: float | None = None,
    amounts: Real | None = None,
    chart: Chart | None = None,
) -> BeforeAfter:
    """Read two tables of readings as pairs.

    scatter: sd per component of one reading together with what changes from run to run, in the
    sensor's unit; None = reading_sd and run_to_run_sd of the rotor file. amounts: what was moved
    between, (blade, adjuster), with the chart that says what it does. Raises BadInput with every
    problem of both tables, or when the scatter of a sensor is not known; CannotBeMet when the
    chart has no row for what was moved, or when no reading stands in both.
    """
    problems: list[Problem] = []
    if scatter is not None and not 0.0 < scatter <= LARGEST_NUMBER:
        problems.append(Problem("fault", "scatter", None, None, f"{scatter:g}", "a number above 0"))
    read = []
    for path in (before, after):
        try:
            read.append(_readings(path, rotor))
        except BadInput as error:
            if not error.problems:
                raise
            problems += error.problems
    if problems:
        raise BadInput(problems)
    first, second = read
    both = [key for key in rotor.channels if key in first and key in second]
    both = [key for key in both if not _said_by_parts(rotor, key, both)]
    if not both:
        raise CannotBeMet("no sensor and regime stands in both tables: nothing can be compared")
    alone = tuple(k for k in rotor.channels if (k in first) != (k in second))
    u = np.array([first[k] for k in both])
    a = np.array([second[k] for k in both])
    variance = np.array([_variance(rotor, sensor, scatter) for sensor, _ in both])
    expected = u
    if amounts is not None and np.any(amounts):
        change, doubt = _effect(rotor, amounts, chart, both)
        expected, variance = u + change, variance + doubt
    pairs = Pairs(
        tuple(s for s, _ in both), tuple(r for _, r in both), expected, a, np.sqrt(variance)
    )
    return BeforeAfter(pairs, u, alone)


def _readings(path: str | PathLike[str], rotor: Rotor) -> dict[tuple[str, str], complex]:
    """Return the readings of a table by sensor and regime, complex (lag)."""
    table = read_table(path)
    findings = Findings()
    findings.add(table.problems)
    table.require(["sensor", "regime", "amplitude"])
    if "clock" not in table and "phase_deg" not in table:
        table.require(["clock"])
    check_plain_units(table, findings)
    names = [s.name for s in rotor.sensors]
    sensor = known_positions(table, "sensor", names, "a sensor of the rotor file", findings)
    regime = known_positions(
        table, "regime", rotor.regime_names, "a regime of the rotor file", findings
    )
    units = np.array([*(s.unit for s in rotor.sensors), ""], dtype=object)[sensor]
    check_units(table, ("amplitude",), units, "sensor", findings)
    amplitude, phase, right = peaks(table, np.ones(len(table), dtype=bool), findings)
    clean = right & (sensor >= 0) & (regime >= 0)
    key = sensor * len(rotor.regimes) + regime
    once = "one row for a sensor and regime"
    without_duplicates(table, key, clean, "sensor", once, findings)
    findings.require_rows(table, "a row for each reading")
    findings.raise_if_any()
    value = to_complex(amplitude, np.where(np.isnan(phase), 0.0, phase))
    return {
        (names[s], rotor.regime_names[r]): complex(to_lag(z, rotor.sensors[s].phase))
        for s, r, z in zip(sensor.tolist(), regime.tolist(), value.tolist(), strict=True)
    }


def _said_by_parts(rotor: Rotor, key: tuple[str, str], both: Sequence[tuple[str, str]]) -> bool:
    """Return whether a reading is made of others that are there: it must not count twice."""
    parts = rotor.sensor(key[0]).combination
    return parts is not None and all((part, key[1]) in both for part in parts)


def _variance(rotor: Rotor, name: str, scatter: float | None) -> float:
    """Return the variance per component of a difference of two readings when nothing changed."""
    if scatter is not None:
        return 2.0 * scatter**2
    sensor = rotor.sensor(name)
    if sensor.reading_sd is None or sensor.run_to_run_sd is None:
        parts = [rotor.sensor(p) for p in sensor.combination or {}]
        factors = list((sensor.combination or {}).values())
        if parts and all(p.reading_sd and p.run_to_run_sd for p in parts):
            each = zip(parts, factors, strict=True)
            return sum(k**2 * _variance(rotor, p.name, None) for p, k in each)
        lacking = "reading_sd" if sensor.reading_sd is None else "run_to_run_sd"
        raise BadInput(
            f"{shown_name(name)}: the rotor file gives no {lacking}, so that it is not known how "
            "far readings differ by themselves; put it there, or give the scatter of a reading"
        )
    return 2.0 * sensor.reading_sd**2 + sensor.run_to_run_sd**2


def _effect(
    rotor: Rotor, amounts: Real, chart: Chart | None, both: Sequence[tuple[str, str]]
) -> tuple[Complex, Real]:
    """Return what the moves did by the chart and its variance per component, (pair,)."""
    if chart is None:
        raise AdaptError("moves between the readings need the chart that says what they do")
    sums = channel_sums(rotor, amounts)
    moved = np.any(amounts != 0, axis=0)
    at = [rotor.channels.index(key) for key in both]
    lacking = np.isnan(chart.mean[at]) & moved
    if lacking.any():
        pair, adjuster = np.argwhere(lacking)[0]
        sensor, regime = both[pair]
        raise CannotBeMet(
            f"the chart has no row for {rotor.adjuster_names[adjuster]} at {shown_name(sensor)} in "
            f"{shown_name(regime)}, so that it is not known what was to be expected there"
        )
    mean, sd = np.nan_to_num(chart.mean[at]), np.nan_to_num(chart.sd[at])
    x = sums[at]
    return (mean * x).sum(axis=1), ((sd * np.abs(x)) ** 2).sum(axis=1)
