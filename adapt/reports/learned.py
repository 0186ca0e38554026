"""Learned coefficients beside the paper chart: what one amount of each adjuster does, how sure.

Built from `Coefficients` and the rotor file. How they are learned lives in `learning`.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable

import numpy as np

from adapt.coefficients import Coefficients, Posterior
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table
from adapt.reports.wording import (
    NOTHING,
    amplitude_at_clock,
    count,
    number,
    percent,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Adjuster, Rotor

__all__ = ["chart_in_short", "learned_report"]

MOST_ROTORS = 6
MOST_EXPLANATIONS = 3


def learned_report(learned: Coefficients, rotor: Rotor) -> list[Block]:
    """Return the type's coefficients by adjuster, noise by sensor, and the rotors that differ."""
    report: list[Block] = [
        Heading(f"Coefficients of the {learned.design}", level=1),
        Line(
            f"Taught by {count(len(learned.taught), 'pair')} of runs on "
            f"{count(len(learned.rotors), 'rotor')}; effects of one amount on the first blade "
            f"({rotor.blades[0]}). The figure after ± is one standard deviation per component."
        ),
    ]
    for adjuster in rotor.adjusters:
        report += _of_adjuster(learned, rotor, adjuster)
    if learned.chart is not None:
        report.append(
            Line("Gain and turn: learned over chart; a positive turn lags the chart. [deg]")
        )
    report += [Heading("Scatter per component"), _noise(learned, rotor)]
    apart = _rotors_apart(learned, rotor)
    if apart.rows and len(learned.rotors) > 1:
        report += [Heading("Rotors that differ most from the type"), apart]
    report += _suspects(learned)
    if learned.notes:
        report += [Heading("Notes"), Bullets(learned.notes)]
    return report


def chart_in_short(learned: Coefficients, rotor: Rotor) -> Table:
    """Return one row for each adjuster and sensor: chart and learned, over all its regimes.

    The gain and turn are those of the one complex factor that brings the chart's column nearest
    to what was learned (least squares over the regimes).
    """
    rows = []
    for a, adjuster in enumerate(rotor.adjusters):
        for sensor in rotor.sensors:
            at = [j for j, (name, _) in enumerate(learned.channels) if name == sensor.name]
            mean, sd = learned.type_.mean[at, a], _sd(learned.type_)[at, a]
            drawn = learned.chart.mean[at, a] if learned.chart is not None else mean * np.nan
            both = np.isfinite(mean) & np.isfinite(drawn)
            power = float(np.sum(np.abs(drawn[both]) ** 2))
            if not power > 0.0:
                continue
            factor = complex(np.sum(drawn[both].conj() * mean[both]) / power)
            error = float(np.sqrt(np.sum(np.abs(drawn[both]) ** 2 * sd[both] ** 2)) / power)
            pairs = learned.type_.pairs[at, a]
            rows.append(
                (
                    adjuster.name,
                    sensor.name,
                    f"{abs(factor):.2f} ± {error:.2f}",
                    _turn(factor),
                    str(int(pairs.max(initial=0))),
                )
            )
    return table(
        ["Adjuster", "Sensor", ">Real effect / chart", ">Lags chart [deg]", ">Pairs"], rows
    )


def _of_adjuster(learned: Coefficients, rotor: Rotor, adjuster: Adjuster) -> Iterable[Block]:
    a = learned.adjusters.index(adjuster.name)
    known, chart = learned.type_, learned.chart
    per = _readable_amount(np.abs(known.mean[:, a]), adjuster)
    sd = _sd(known)
    amount = f"{per:g} {adjuster.unit}" if per != 1 else adjuster.unit
    rows: list[tuple[str, ...]] = []
    for sensor in rotor.sensors:
        digits = vibration_decimals(sensor.unit)
        rows.append((f"{sensor.name} [{sensor.unit} per {amount}]", "", "", "", "", "", ""))
        for j, (name, regime) in enumerate(learned.channels):
            if name != sensor.name:
                continue
            mean = complex(known.mean[j, a])
            drawn = complex(np.nan) if chart is None else complex(chart.mean[j, a])
            factor = mean / drawn if cmath.isfinite(drawn) and drawn != 0 else complex(np.nan)
            rows.append(
                (
                    f"  {regime}",
                    amplitude_at_clock(per * mean, sensor.phase, digits),
                    NOTHING if math.isnan(sd[j, a]) else f"± {per * sd[j, a]:.{digits}f}",
                    amplitude_at_clock(per * drawn, sensor.phase, digits),
                    number(abs(factor)),
                    _turn(factor),
                    str(int(known.pairs[j, a])),
                )
            )
    yield Heading(adjuster.name[:1].upper() + adjuster.name[1:])
    yield table(["Regime", ">Learned", ">", ">Chart", ">Gain", ">Turn", ">Pairs"], rows)
    lifts = np.any([learned.type_.track_mean[:, a], learned.type_.track_cov[:, a, a]])
    if rotor.has_track and lifts:
        yield _track(learned, rotor, adjuster, per, amount)


def _track(
    learned: Coefficients, rotor: Rotor, adjuster: Adjuster, per: float, amount: str
) -> Table:
    a = learned.adjusters.index(adjuster.name)
    known, chart = learned.type_, learned.chart
    title = f"blade height [{rotor.track_unit} per {amount}]"
    rows: list[tuple[str, ...]] = [(title, "", "", "", "")]
    for g, regime in enumerate(learned.regimes):
        sd = math.sqrt(known.track_cov[g, a, a]) if known.track_cov[g, a, a] >= 0 else math.nan
        rows.append(
            (
                f"  {regime}",
                _height(per * known.track_mean[g, a]),
                NOTHING if math.isnan(sd) else f"± {per * sd:.2f}",
                NOTHING if chart is None else _height(per * chart.track_mean[g, a]),
                str(int(known.track_pairs[g, a])),
            )
        )
    return table(["Regime", ">Learned", ">", ">Chart", ">Pairs"], rows)


def _noise(learned: Coefficients, rotor: Rotor) -> Table:
    noise = learned.noise
    rows = []
    for sensor in rotor.sensors:
        at = [j for j, (name, _) in enumerate(learned.channels) if name == sensor.name]
        rows.append(
            (
                f"{sensor.name} [{sensor.unit}]",
                _range(np.sqrt(noise.reading_var[at] / 2), vibration_decimals(sensor.unit)),
                _range(np.sqrt(noise.run_var[at] / 2), vibration_decimals(sensor.unit)),
            )
        )
    if rotor.has_track:
        rows.append(
            (
                f"blade height [{rotor.track_unit}]",
                _range(np.sqrt(noise.track_reading_var), track_decimals(rotor.track_unit)),
                _range(np.sqrt(noise.track_run_var), track_decimals(rotor.track_unit)),
            )
        )
    return table(["Channel", ">One reading", ">From run to run"], rows)


def _rotors_apart(learned: Coefficients, rotor: Rotor) -> Table:
    """Return the rotors whose own coefficients differ most, adjuster by adjuster.

    Differs by: root-mean-square difference over the channels against that of the type's own
    coefficients, with the same measure of one standard deviation of the rotor's beside it.
    """
    found = []
    for serial, own in learned.rotors.items():
        own_sd = _sd(own)
        for a, adjuster in enumerate(rotor.adjusters):
            type_mean = learned.type_.mean[:, a]
            at = np.isfinite(own.mean[:, a]) & np.isfinite(type_mean) & (own.pairs[:, a] > 0)
            size = float(np.sqrt(np.sum(np.abs(type_mean[at]) ** 2)))
            if not size > 0.0:
                continue
            apart = float(np.sqrt(np.sum(np.abs(own.mean[at, a] - type_mean[at]) ** 2)) / size)
            unsure = float(np.sqrt(np.sum(2 * own_sd[at, a] ** 2)) / size)
            found.append((apart, serial, adjuster.name, unsure, int(own.pairs[at, a].max())))
    found.sort(key=lambda row: -row[0])
    rows = [
        (serial, name, f"{100 * apart:.0f} %", f"± {100 * unsure:.0f} %", str(pairs))
        for apart, serial, name, unsure, pairs in found[:MOST_ROTORS]
    ]
    return table(["Rotor", "Adjuster", ">Differs by", ">", ">Pairs"], rows)


def _suspects(learned: Coefficients) -> Iterable[Block]:
    if not learned.suspects:
        return
    rows = []
    for suspect in learned.suspects:
        place = (str(suspect["job"]), str(suspect["after_run"]))
        for told in suspect["explanations"][:MOST_EXPLANATIONS]:
            rows.append((*place, str(told["text"]), percent(float(told["probability"]))))
            place = ("", "")
    yield Heading("Entries to look at again (nothing was changed)")
    yield table(["Job", "After run", "What may be meant", ">Probability"], rows)


def _sd(known: Posterior) -> np.ndarray:
    """Return the sd per component, shape (channel, adjuster)."""
    return np.asarray(np.sqrt(np.einsum("jaa->ja", known.cov).real / 2))


def _readable_amount(effects: np.ndarray, adjuster: Adjuster) -> float:
    """Return 1, 10, 100, ...: the amount whose effects read well, within what a blade may carry."""
    typical = float(np.median(effects[np.isfinite(effects)])) if np.isfinite(effects).any() else 1.0
    low, high = adjuster.fitted_range
    per = 1.0
    while typical * per < 0.02 and per * 10 <= 0.5 * (high - low):
        per *= 10
    return per


def _turn(factor: complex) -> str:
    return f"{math.degrees(cmath.phase(factor)):+.0f}" if cmath.isfinite(factor) else NOTHING


def _height(value: float) -> str:
    return NOTHING if math.isnan(value) else f"{value:+.2f}"


def _range(values: np.ndarray, decimals: int) -> str:
    known = values[np.isfinite(values)]
    if not known.size:
        return NOTHING
    low, high = f"{known.min():.{decimals}f}", f"{known.max():.{decimals}f}"
    return low if low == high else f"{low} to {high}"
