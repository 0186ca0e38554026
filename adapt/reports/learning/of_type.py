"""The type's coefficients beside the paper chart: what one amount of each adjuster does, how sure.

Tables for the report of `learn`; single rotors stand in `of_rotors`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd

from adapt.coefficients import Coefficients
from adapt.coefficients.summary import ANY, summary_of, track_summary_of
from adapt.reports.layout import Block, Heading, Line, Table, table, without_blank_columns
from adapt.reports.learning.effect_cells import (
    amount_text,
    at_clock,
    clock_spread,
    height,
    interval,
    readable_amount,
    turn,
)
from adapt.reports.wording import number, track_decimals, vibration_decimals
from adapt.rotor import Adjuster, Rotor

__all__ = ["chart_in_short", "type_tables"]


def chart_in_short(learned: Coefficients, rotor: Rotor) -> Table:
    """Return one row for each adjuster and sensor: chart and learned, over all its regimes.

    The gain and turn are those of the one complex factor that brings the chart's column nearest
    to what was learned (least squares over the regimes).
    """
    rows = []
    regimes, adjusters = len(learned.regimes), len(learned.adjusters)
    for a, adjuster in enumerate(rotor.adjusters):
        for s, sensor in enumerate(rotor.sensors):
            at = slice(s * regimes, (s + 1) * regimes)
            mean = learned.type_.mean[at, a]
            drawn = learned.chart.mean[at, a] if learned.chart is not None else mean * np.nan
            both = np.isfinite(mean) & np.isfinite(drawn)
            power = float(np.sum(np.abs(drawn[both]) ** 2))
            if not power > 0.0:
                continue
            pull = np.where(both, drawn, 0.0) / power
            factor = complex(np.sum(pull[both].conj() * mean[both]))
            cov = learned.type_.joint[s].reshape(regimes, adjusters, regimes, adjusters)[:, a, :, a]
            var = (pull[both].conj() @ cov[np.ix_(both, both)] @ pull[both]).real
            error = math.sqrt(max(float(var), 0.0) / 2.0)
            pairs = learned.type_.pairs[at, a]
            rows.append(
                (
                    adjuster.name,
                    sensor.name,
                    f"{abs(factor):.2f} ± {error:.2f}",
                    turn(math.degrees(np.angle(factor))),
                    str(int(pairs.max(initial=0))),
                )
            )
    return table(
        ["Adjuster", "Sensor", ">Real effect / chart", ">Lags chart [deg]", ">Pairs"], rows
    )


def type_tables(learned: Coefficients, rotor: Rotor) -> Iterable[Block]:
    """Yield the type's coefficients, adjuster by adjuster, with 95 % intervals and the chart."""
    vibration = summary_of(learned, rotor, only=(None,))
    track = track_summary_of(learned, rotor, only=(None,))
    charted = learned.chart is not None
    for adjuster in rotor.adjusters:
        per = readable_amount(learned, adjuster)
        yield Heading(adjuster.name[:1].upper() + adjuster.name[1:])
        of_sensors = vibration[vibration["adjuster"] == adjuster.name]
        yield _vibration(of_sensors, rotor, adjuster, per)
        of_track = track[track["adjuster"] == adjuster.name]
        if of_track[["height", "sd"]].fillna(0.0).to_numpy().any():
            yield _track(of_track, rotor, adjuster, per)
    yield Line(
        f"Effects of one amount on the first blade ({rotor.blades[0]}): amplitude @ clock angle, ± "
        "half of its 95 % interval; 95 %: the amplitude's; any: zero cannot be ruled out."
        + (" Gain and turn: learned over chart; a positive turn lags the chart. [deg]" * charted)
    )


def _vibration(found: pd.DataFrame, rotor: Rotor, adjuster: Adjuster, per: float) -> Table:
    rows: list[tuple[str, ...]] = []
    for sensor in rotor.sensors:
        digits = vibration_decimals(sensor.unit)
        rows.append((f"{sensor.name} [{sensor.unit} per {amount_text(per, adjuster)}]", *[""] * 6))
        for row in found[found["sensor"] == sensor.name].to_dict("records"):
            any_phase = row["clock"] == ANY
            learned = at_clock(per * row["amplitude"], row["phase_deg"], digits, any_phase)
            rows.append(
                (
                    f"  {row['regime']}",
                    f"{learned} {clock_spread(row['phase_low_deg'], row['phase_high_deg']):<5}",
                    interval(per * row["low"], per * row["high"], digits),
                    at_clock(per * row["chart_amplitude"], row["chart_phase_deg"], digits),
                    number(row["chart_gain"]),
                    turn(row["chart_rotation_deg"]),
                    str(row["pairs"]),
                )
            )
    titles = ["Regime", ">Learned", ">95 %", ">Chart", ">Gain", ">Turn", ">Pairs"]
    return without_blank_columns(table(titles, rows), ("Chart", "Gain", "Turn"))


def _track(found: pd.DataFrame, rotor: Rotor, adjuster: Adjuster, per: float) -> Table:
    title = f"blade height [{rotor.track_unit} per {amount_text(per, adjuster)}]"
    rows: list[tuple[str, ...]] = [(title, *[""] * 4)]
    digits = track_decimals(rotor.track_unit) + 1
    rows += [
        (
            f"  {row['regime']}",
            height(per * row["height"], digits),
            interval(per * row["low"], per * row["high"], digits, sign=True),
            height(per * row["chart_height"], digits),
            str(row["pairs"]),
        )
        for row in found.to_dict("records")
    ]
    titles = ["Regime", ">Learned", ">95 %", ">Chart", ">Pairs"]
    return without_blank_columns(table(titles, rows), ("Chart", "Gain", "Turn"))
