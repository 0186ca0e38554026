"""Readings, tables of readings and charts turned from one set-up to another.

What turns them stands in `turns`. A table is turned whole or not at all.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from os import PathLike

import numpy as np
import numpy.typing as npt

from adapt.balancing.setup.turns import Turn, shown_name
from adapt.chart import Chart
from adapt.columns import check_plain_units, check_units, known_positions, peaks
from adapt.delimited import write_csv
from adapt.findings import Findings
from adapt.phasor import clock_text, from_lag, phase_deg, to_complex, to_lag
from adapt.problems import CannotBeMet, Problem, one_of
from adapt.rotor import Rotor
from adapt.tables import Table, read_table

__all__ = ["TurnedTable", "chart_here", "table_on_chart", "write_turned"]

Complex = npt.NDArray[np.complex128]

DIGITS = 12  # decimals of a phase written: beyond them stand only rounding errors
_NUMBERS = frozenset({"amplitude", "spread", "repeats", "phase_deg"})
_ALIKE = 1e-9  # relative: two numbers that differ by less are the same but for rounding


@dataclass(frozen=True, eq=False)
class TurnedTable:
    """A table of readings with its phases turned; all other cells as they were.

    header, rows: text, the phase in clock (rounded to the minute) and phase_deg (exact). turned:
    how many rows were; approximate: the sensors among them whose turn is not exact; mirrored:
    those whose phases now run the other way than the rotor file says.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    turned: int
    approximate: tuple[str, ...]
    mirrored: tuple[str, ...]


def table_on_chart(
    path: str | PathLike[str],
    rotor: Rotor,
    turns: Mapping[str, Turn],
    jobs: Collection[str] | None = None,
) -> TurnedTable:
    """Return a table of readings (CSV or .xlsx, columns as readings.csv of a log) turned.

    turns: by sensor, as `turns_between` gives them. jobs: only rows of these jobs are turned, the
    others stay as they are; None = all rows. Raises BadInput with every problem found, CannotBeMet
    when a reading of it cannot be turned.
    """
    table = read_table(path)
    findings = Findings()
    findings.add(table.problems)
    table.require(["sensor", "amplitude", *(["job"] if jobs is not None else [])])
    if "clock" not in table and "phase_deg" not in table:
        table.require(["clock"])
    check_plain_units(table, findings)
    excluded = table.column("excluded").each(bool, bool)
    among = ~excluded
    if jobs is not None:
        cells = table.column("job")
        among &= cells.each(lambda job: job in jobs, bool)
        there = set(cells.texts)
        findings.faults += [
            Problem("fault", table.file, None, "job", f"no row of {job}",
                    one_of("a job of this table", job, sorted(there)))
            for job in jobs if job not in there
        ]  # fmt: skip
    names = [s.name for s in rotor.sensors]
    sensor = known_positions(table, "sensor", names, "a sensor of the rotor file", findings, among)
    units = np.array([*(s.unit for s in rotor.sensors), ""], dtype=object)[sensor]
    check_units(table, ("amplitude", "spread"), units, "sensor", findings)
    # A row without amplitude and phase was not read, as in a log.
    filled = [table.column(c).each(bool, bool) for c in ("amplitude", "clock", "phase_deg")]
    _, phase, _ = peaks(table, among & np.any(filled, axis=0), findings)
    findings.raise_if_any()
    _refuse_unturnable([names[s] for s in np.unique(sensor[sensor >= 0])], turns)
    return _turned(table, turns, names, sensor, phase)


def write_turned(turned: TurnedTable, path: str | PathLike[str]) -> None:
    """Write a turned table as CSV, whole or not at all."""
    write_csv(path, turned.header, turned.rows)


def chart_here(chart: Chart, rotor: Rotor, turns: Mapping[str, Turn]) -> Chart:
    """Return a chart of the chart's set-up for the set-up here, to plan with readings as they are.

    chart: as `read_chart` gives it with the rotor file of the set-up here. turns: from here to the
    chart, as `turns_between` gives them. Amplitudes, spreads and track stay as they are. Raises
    CannotBeMet when a sensor that the chart has rows of cannot be turned.
    """
    mean = chart.mean.copy()
    count = len(rotor.regimes)
    at = {s.name: slice(i * count, (i + 1) * count) for i, s in enumerate(rotor.sensors)}
    made = [
        s.name
        for s in rotor.sensors
        if s.combination is not None and turns[s.name].cannot and _is_made(chart, rotor, at, s.name)
    ]
    _refuse_unturnable(
        [s for s in at if not np.isnan(chart.mean[at[s]]).all() and s not in made], turns
    )
    for sensor in rotor.sensors:
        if sensor.name not in made and not np.isnan(mean[at[sensor.name]]).all():
            # The chart's phases were read as the rotor file says; on paper they run as the
            # chart's set-up says.
            on_paper = from_lag(mean[at[sensor.name]], sensor.phase)
            here = turns[sensor.name].back()(on_paper)
            mean[at[sensor.name]] = to_lag(here, sensor.phase)
    for name in made:
        parts = rotor.sensor(name).combination or {}
        mean[at[name]] = sum(k * mean[at[part]] for part, k in parts.items())
    return replace(chart, mean=mean)


def _is_made(chart: Chart, rotor: Rotor, at: Mapping[str, slice], name: str) -> bool:
    """Return whether a combination's rows are those of its parts put together, all of them."""
    own = chart.mean[at[name]]
    parts = rotor.sensor(name).combination or {}
    made = np.sum([k * chart.mean[at[part]] for part, k in parts.items()], axis=0)
    there = ~np.isnan(own)
    apart = np.abs(own[there] - made[there])
    return bool(np.all(apart <= _ALIKE * np.abs(own[there])))  # NaN: a part has no row


def _refuse_unturnable(names: Collection[str], turns: Mapping[str, Turn]) -> None:
    why = [f"{shown_name(n)}: {turns[n].cannot}" for n in names if turns[n].cannot]
    if why:
        raise CannotBeMet("not turned, nothing was written:\n" + "\n".join(why))


def _turned(
    table: Table,
    turns: Mapping[str, Turn],
    names: list[str],
    sensor: npt.NDArray[np.intp],
    phase: npt.NDArray[np.float64],
) -> TurnedTable:
    columns = list(table.columns)
    place = columns.index("clock") if "clock" in columns else columns.index("phase_deg")
    others = [c for c in columns if c not in ("clock", "phase_deg")]
    order = [*columns[:place], "clock", "phase_deg", *columns[place:]]
    order = [c for i, c in enumerate(order) if c in others or i in (place, place + 1)]
    cells = {name: table.text(name) for name in order}
    if table.comma_seen:  # the table is written with commas between cells and points in numbers
        for name in _NUMBERS & set(order):
            cells[name] = np.array([text.replace(",", ".") for text in cells[name]], dtype=object)
    rows = np.flatnonzero((sensor >= 0) & ~np.isnan(phase))
    after = np.zeros(len(table))
    for number, name in enumerate(names):
        mine = rows[sensor[rows] == number]
        if len(mine) == 0:
            continue
        after[mine] = phase_deg(turns[name](to_complex(np.ones(len(mine)), phase[mine])))
    for i in rows:
        cells["clock"][i] = clock_text(float(after[i]))
        cells["phase_deg"][i] = repr(round(float(after[i]), DIGITS) % 360.0)
    there = [names[s] for s in np.unique(sensor[rows])]
    header = tuple(_with_unit(table, name) for name in order)
    return TurnedTable(
        header,
        tuple(zip(*(cells[name] for name in order), strict=True)),
        len(rows),
        tuple(n for n in there if turns[n].approximate),
        tuple(n for n in there if turns[n].mirrors),
    )


def _with_unit(table: Table, name: str) -> str:
    unit = table.columns[name].unit if name in table else None
    return name if unit is None or name in ("clock", "phase_deg") else f"{name} [{unit}]"
