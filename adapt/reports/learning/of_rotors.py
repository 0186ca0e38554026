"""Single rotors: one line each against their type and the chart, and one rotor's whole table.

Built from `coefficients.summary`; a rotor that is unlike its type is a reason to look, no finding.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from adapt.coefficients import Coefficients
from adapt.coefficients.summary import ANY, rotors_summary_of, summary_of, track_summary_of
from adapt.reports.layout import Block, Heading, Line, Table, Tone, table, without_blank_columns
from adapt.reports.learning.effect_cells import (
    amount_text,
    at_clock,
    clock_spread,
    gain_text,
    height,
    interval,
    readable_amount,
    turn,
    turn_text,
)
from adapt.reports.wording import (
    NOTHING,
    count,
    joined,
    number,
    percent,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Adjuster, Rotor

__all__ = ["rotor_tables", "rotors_lines"]

MOST_ROTORS = 12  # lines, beside those that are unlike the type
MOST_UNLIKE = 40
UNLIKE = 0.05  # chance below which a rotor counts as unlike its type


def rotors_lines(
    learned: Coefficients, rotor: Rotor, only: Iterable[str] | None = None
) -> Iterable[Block]:
    """Yield one line for each rotor, those least like the type first, and what to make of them."""
    wanted = None if only is None else set(only)
    found = rotors_summary_of(learned, rotor, wanted)
    if not len(found):
        return
    found = found.sort_values(["p_value", "distance"], ascending=[True, False], kind="stable")
    unlike = found[found["p_value"] < UNLIKE]
    shown = found[: max(MOST_ROTORS, min(len(unlike), MOST_UNLIKE))]
    yield Heading("Rotors against their type" + ("" if learned.chart is None else " and the chart"))
    yield _lines(shown)
    if len(shown) < len(found):
        yield Line(f"... and {len(found) - len(shown)} more; --json lists them all.")
    if wanted is None:
        yield from _verdict(learned, unlike, len(found))
    yield Line(
        "Own: share of the coefficients that is the rotor's own data. Apart: from the type, 1 = as "
        "rotors usually differ. By chance: how often one of as many rotors, all of one type, looks "
        "as unlike. Gain and turn [deg]: of all its answers, ± half of the 95 % interval; a "
        "positive turn lags."
    )


def _lines(found: pd.DataFrame) -> Table:
    rows: list[tuple[str, ...]] = []
    tones: list[Tone] = []
    for row in found.to_dict("records"):
        rows.append(
            (
                str(row["rotor"]),
                str(row["pairs"]),
                _share(row["weight"]),
                number(row["distance"]),
                percent(row["p_value"]),
                *_factor(row, "type"),
                *_factor(row, "chart"),
            )
        )
        tones.append("bad" if row["p_value"] < UNLIKE else "plain")
    titles = ["Rotor", ">Pairs", ">Own", ">Apart", ">By chance", ">Gain", ">Turn"]
    whole = table([*titles, ">On chart", ">Turn"], rows, tones)
    return without_blank_columns(whole, ("On chart", "Turn"))


def _factor(row: Mapping[Any, Any], against: str) -> tuple[str, str]:
    gain = (row[f"{against}_gain{end}"] for end in ("", "_low", "_high"))
    turns = (row[f"{against}_rotation_{end}"] for end in ("deg", "low", "high"))
    return gain_text(*gain), turn_text(*turns)


def _verdict(learned: Coefficients, unlike: pd.DataFrame, rotors: int) -> Iterable[Block]:
    if rotors < 2:
        return
    if not len(unlike):
        yield Line("No rotor is unlike its type by more than chance explains.")
        return
    moved = {str(reference["rotor"]) for reference in learned.references}
    names = [
        f"{name} (a reference or sensor was moved)" if name in moved else str(name)
        for name in unlike["rotor"][:MOST_ROTORS]
    ]
    more = len(unlike) - len(names)
    told = joined(names) if not more else f"{', '.join(names)} and {more} more"
    yield Line(
        f"Unlike the type: {told}. Inspect before balancing: phase reference and sensors of such a "
        "rotor first, then dampers, bearings, rod ends and mounts.",
        "bad",
    )


def rotor_tables(learned: Coefficients, rotor: Rotor, serial: str) -> Iterable[Block]:
    """Yield one rotor's coefficients, adjuster by adjuster, beside the chart and the type's."""
    vibration = summary_of(learned, rotor, only=(serial,))
    track = track_summary_of(learned, rotor, only=(serial,))
    for adjuster in rotor.adjusters:
        per = readable_amount(learned, adjuster)
        yield Heading(adjuster.name[:1].upper() + adjuster.name[1:])
        yield _vibration(vibration[vibration["adjuster"] == adjuster.name], rotor, adjuster, per)
        of_track = track[track["adjuster"] == adjuster.name]
        if of_track[["height", "sd"]].fillna(0.0).to_numpy().any():
            yield _track(of_track, rotor, adjuster, per)
    yield Line(
        f"Effects of one amount on the first blade ({rotor.blades[0]}): amplitude @ clock angle, ± "
        "half of its 95 % interval; 95 %: the amplitude's; any: zero cannot be ruled out. Gain and "
        "turn [deg] against the type, a positive turn lags. Sds: from the type, in standard "
        "deviations per component of how rotors differ; of many rotors well known 95 in 100 are "
        "within 2.4 (track 2.0). Own: how much is the rotor's own data."
    )


def _vibration(found: pd.DataFrame, rotor: Rotor, adjuster: Adjuster, per: float) -> Table:
    rows: list[tuple[str, ...]] = []
    for sensor in rotor.sensors:
        of_sensor = found[found["sensor"] == sensor.name]
        digits = vibration_decimals(sensor.unit)
        amount = f"{sensor.unit} per {amount_text(per, adjuster)}"
        rows.append((f"{sensor.name} [{amount}], {_told(of_sensor)}", *[""] * 6))
        for row in of_sensor.to_dict("records"):
            own = at_clock(per * row["amplitude"], row["phase_deg"], digits, row["clock"] == ANY)
            rows.append(
                (
                    f"  {row['regime']}",
                    f"{own} {clock_spread(row['phase_low_deg'], row['phase_high_deg']):<5}",
                    interval(per * row["low"], per * row["high"], digits),
                    at_clock(per * row["chart_amplitude"], row["chart_phase_deg"], digits),
                    number(row["type_gain"]),
                    turn(row["type_rotation_deg"]),
                    number(row["from_fleet"], 1),
                )
            )
    titles = ["Regime", ">Learned", ">95 %", ">Chart", ">Gain", ">Turn", ">Sds"]
    return without_blank_columns(table(titles, rows), ("Chart", "Gain", "Turn"))


def _track(found: pd.DataFrame, rotor: Rotor, adjuster: Adjuster, per: float) -> Table:
    digits = track_decimals(rotor.track_unit) + 1
    amount = f"{rotor.track_unit} per {amount_text(per, adjuster)}"
    rows: list[tuple[str, ...]] = [(f"blade height [{amount}], {_told(found)}", *[""] * 5)]
    rows += [
        (
            f"  {row['regime']}",
            height(per * row["height"], digits),
            interval(per * row["low"], per * row["high"], digits, sign=True),
            height(per * row["chart_height"], digits),
            number(row["type_gain"]),
            number(row["from_fleet"], 1),
        )
        for row in found.to_dict("records")
    ]
    titles = ["Regime", ">Learned", ">95 %", ">Chart", ">Gain", ">Sds"]
    return without_blank_columns(table(titles, rows), ("Chart", "Gain", "Turn"))


def _told(found: pd.DataFrame) -> str:
    """Return how much of a group is the rotor's own data: "3 pairs, own 41 to 63 %"."""
    pairs = count(int(found["pairs"].max()), "pair")
    weight = found["weight"].dropna()
    if not len(weight):
        return pairs
    low, high = _whole(weight.min()), _whole(weight.max())
    return f"{pairs}, own {low} %" if low == high else f"{pairs}, own {low} to {high} %"


def _share(weight: float) -> str:
    return NOTHING if weight != weight else f"{_whole(weight)} %"


def _whole(share: float) -> int:
    """Return a share in whole per cent; never 100, for the type always has a word."""
    return min(99, round(100 * share))
