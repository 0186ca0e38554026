"""The report of `learn`: what was learned from, the type, its rotors, and what to look at.

Puts the parts in order; each has its own module. How coefficients are learned lives in `learning`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from adapt.coefficients import Coefficients
from adapt.learning.suspects.slipped import Slip
from adapt.problems import BadInput
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table
from adapt.reports.learning.frames import frames_blocks
from adapt.reports.learning.health import health_report
from adapt.reports.learning.of_rotors import rotor_tables, rotors_lines
from adapt.reports.learning.of_type import chart_in_short, type_tables
from adapt.reports.learning.teaching import teaching_blocks
from adapt.reports.log.suspects import suspects_blocks
from adapt.reports.wording import NOTHING, count, track_decimals, vibration_decimals
from adapt.rotor import Rotor

__all__ = ["learned_report", "require_rotor", "rotor_report"]

MOST_NAMED = 10


def learned_report(learned: Coefficients, rotor: Rotor, agreed: Sequence[Slip] = ()) -> list[Block]:
    """Return the report of a fleet: short first, then the type, the rotors, and what to look at.

    Rotors to inspect stand before all numbers. agreed: see `suspects.suspects_blocks`.
    """
    report: list[Block] = [
        Heading(f"Coefficients of the {learned.design}", level=1),
        Line(_learned_from(learned)),
        *health_report(learned),
        Heading("Scatter per component"),
        _noise(learned, rotor),
    ]
    if learned.chart is not None:
        report += [
            Heading("The type against the chart, over all regimes"),
            chart_in_short(learned, rotor),
            Line("± one standard deviation. 1.00 and +0: the chart is right."),
        ]
    report += type_tables(learned, rotor)
    report += rotors_lines(learned, rotor)
    if learned.rotors:
        report.append(Line("One rotor's own coefficients: adapt learn ... --rotor SERIAL."))
    report += suspects_blocks(learned, agreed)
    report += frames_blocks(learned)
    if learned.notes:
        report += [Heading("Notes"), Bullets(learned.notes)]
    report += teaching_blocks(learned, rotor)
    return report


def rotor_report(learned: Coefficients, rotor: Rotor, serial: str) -> list[Block]:
    """Return the report of one rotor. Raises BadInput when nothing was learned of that serial."""
    require_rotor(learned, serial)
    of_rotor = tuple(finding for finding in learned.health if finding["rotor"] == serial)
    return [
        Heading(f"Coefficients of {serial}, {learned.design}", level=1),
        Line(_learned_from(learned)),
        *health_report(replace(learned, health=of_rotor)),
        *rotors_lines(learned, rotor, only=(serial,)),
        *rotor_tables(learned, rotor, serial),
        *teaching_blocks(learned, rotor, serial),
    ]


def require_rotor(learned: Coefficients, serial: str) -> None:
    """Raise BadInput when a rotor has no runs in the log, naming those that have."""
    if serial in learned.rotors:
        return
    names = list(learned.rotors)
    known = ", ".join(names[:MOST_NAMED]) + (" ..." if len(names) > MOST_NAMED else "")
    raise BadInput(
        f"--rotor: found {serial!r}, expected a rotor with runs in the log"
        + (f": {known}" if names else "; it has none")
    )


def _learned_from(learned: Coefficients) -> str:
    """Return what was learned from, as a sentence."""
    origin = learned.origin
    parts = [
        count(int(origin[key]), one) for key, one in (("jobs", "job"), ("runs", "run"))
        if key in origin
    ]  # fmt: skip
    parts += [count(len(learned.taught), "pair") + " of runs", count(len(learned.rotors), "rotor")]
    chart = "without a chart" if learned.chart is None else "starting from the chart"
    state = ""
    if "log_change" in origin:
        state = f" They are those of the logbook after change {origin['log_change']}."
    return f"Learned from {', '.join(parts[:-1])} on {parts[-1]}, {chart}.{state}"


def _noise(learned: Coefficients, rotor: Rotor) -> Table:
    noise = learned.noise
    regimes = len(learned.regimes)
    rows = []
    for s, sensor in enumerate(rotor.sensors):
        at = slice(s * regimes, (s + 1) * regimes)
        digits = vibration_decimals(sensor.unit)
        rows.append(
            (
                f"{sensor.name} [{sensor.unit}]",
                *_range(np.sqrt(noise.reading_var[at] / 2), learned.regimes, digits),
                *_range(np.sqrt(noise.run_var[at] / 2), learned.regimes, digits),
            )
        )
    if rotor.has_track:
        digits = track_decimals(rotor.track_unit)
        rows.append(
            (
                f"blade height [{rotor.track_unit}]",
                *_range(np.sqrt(noise.track_reading_var), learned.regimes, digits),
                *_range(np.sqrt(noise.track_run_var), learned.regimes, digits),
            )
        )
    return table(["Channels", ">One reading", "Most in", ">Run to run", "Most in"], rows)


def _range(values: np.ndarray, regimes: tuple[str, ...], decimals: int) -> tuple[str, str]:
    """Return the range of a sensor's regimes, and the regime that has most."""
    known = np.isfinite(values)
    if not known.any():
        return NOTHING, NOTHING
    low, high = f"{values[known].min():.{decimals}f}", f"{values[known].max():.{decimals}f}"
    most = regimes[int(np.argmax(np.where(known, values, -1.0)))]
    return (low, NOTHING) if low == high else (f"{low} to {high}", most)
