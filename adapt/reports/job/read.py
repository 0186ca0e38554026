"""What a job's runs read, against the limits, and what was moved between them."""

from __future__ import annotations

from collections.abc import Iterable

from adapt.planning.plan import Move
from adapt.reports.cautions import what_to_do
from adapt.reports.job.values import INSIDE, JobRecord, spread_of
from adapt.reports.layout import Block, Bullets, Heading, Line, Picture, Row, Table, Tone, table
from adapt.reports.pictures.readings import Shift, readings_picture
from adapt.reports.pictures.track import Heights, track_picture
from adapt.reports.records import records
from adapt.reports.wording import (
    NOTHING,
    amplitude_at_clock,
    count,
    date_and_time,
    height,
    joined,
    number,
    percent,
    signed,
    track_decimals,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = ["moves_made", "readings_read", "runs_flown", "standing", "track_read"]


def standing(record: JobRecord) -> Iterable[Block]:
    """Yield how the job stands after its last run: what is over its limit, what was not read."""
    last = record.run_names[-1]
    over, unread = record.over(last), record.limited_and_unread(last)
    if over:
        worst = max(over, key=lambda o: o[2])
        names = joined([f"{_named(s)} in {r} ({number(ratio)})" for s, r, ratio in over[:6]])
        more = f" and {len(over) - 6} more" if len(over) > 6 else ""
        yield Line(
            f"Run {last} is over {count(len(over), 'limit')}, reading over limit in brackets: "
            f"{names}{more}. The worst is {_named(worst[0])} in {worst[1]}.",
            tone="bad",
        )
    elif record.readings(last) or record.heights(last):
        yield Line(f"Everything with a limit that run {last} read is inside it.", tone="good")
    if unread:
        names = joined([f"{_named(s)} in {r}" for s, r in unread[:8]])
        more = f" and {len(unread) - 8} more" if len(unread) > 8 else ""
        yield Line(f"Limited, and not read in run {last}: {names}{more}.", tone="bad")


def runs_flown(record: JobRecord) -> Iterable[Block]:
    """Yield the runs with their dates and conditions."""
    rows = []
    keys = ("gross_weight", "wind_kt", "oat_c", "rpm")
    for run in record.runs:
        cells = (NOTHING if run[k] is None else f"{run[k]:g}" for k in keys)
        rows.append((str(run["run"]), date_and_time(run["started"]), *cells, run["note"] or ""))
    yield Heading("Runs")
    yield table(
        ["Run", "Started", ">Gross weight", ">Wind [kt]", ">Air [degC]", ">Rpm", "Note"], rows
    )


def readings_read(record: JobRecord) -> Iterable[Block]:
    """Yield every reading of every run against its limit, and the pictures of first and last."""
    rotor, names = record.rotor, record.run_names
    read = {run: record.readings(run) for run in names}
    rows: list[tuple[str, ...]] = []
    tones: list[Tone] = []
    for sensor in rotor.sensors:
        rows.append((f"{sensor.name} [{sensor.unit}]", *[""] * (len(names) + 1)))
        tones.append("plain")
        digits = vibration_decimals(sensor.unit)
        for regime in rotor.regime_names:
            values = [read[run].get((sensor.name, regime)) for run in names]
            if all(v is None for v in values):
                continue
            limit = record.limit(sensor.name, regime)
            cells = [amplitude_at_clock(v, sensor.phase, digits) + _sign(v, limit) for v in values]
            rows.append((f"  {regime}", number(limit, digits), *cells))
            tones.append("bad" if cells[-1].endswith("!") else "plain")
    yield Heading("Readings: amplitude @ clock angle")
    yield table(["Regime", ">Limit", *(f">Run {run}" for run in names)], rows, tones)
    yield Line("! = over its limit.", tone="faint")
    pictures = [p for s in rotor.sensors if (p := _picture(record, s.name)) is not None]
    if pictures:
        yield Row(tuple(pictures))


def _picture(record: JobRecord, name: str) -> Picture | None:
    """Return a sensor's readings in the first and the last run of the job."""
    first, last = record.run_names[0], record.run_names[-1]
    before, after = record.readings(first), record.readings(last)
    shifts = [
        Shift(
            regime, before.get((name, regime)),
            after.get((name, regime)) if last != first else None, record.limit(name, regime),
        )
        for regime in record.rotor.regime_names
    ]  # fmt: skip
    return readings_picture(
        record.rotor.sensor(name), shifts, f"run {first}", f"run {last}" if last != first else ""
    )


def track_read(record: JobRecord) -> Iterable[Block]:
    """Yield the track spread of every run, the heights of the last, and the picture."""
    rotor, names = record.rotor, record.run_names
    heights = {run: record.heights(run) for run in names}
    if rotor.track_unit is None or not any(heights.values()):
        return
    digits = track_decimals(rotor.track_unit)
    rows, tones = [], []
    for regime in rotor.regime_names:
        limit = record.limit(None, regime)
        spreads = [
            spread_of(heights[run][regime]) if regime in heights[run] else None for run in names
        ]
        cells = [number(s, digits) + _sign(s, limit) for s in spreads]
        rows.append((regime, number(limit, digits), *cells))
        tones.append("bad" if cells[-1].endswith("!") else "plain")
    yield Heading(f"Track spread [{rotor.track_unit}]")
    yield table(
        ["Regime", ">Limit", *(f">Run {run}" for run in names)],
        rows,
        tones,  # type: ignore[arg-type]
    )
    last = next(run for run in reversed(names) if heights[run])
    yield Heading(f"Blade heights in run {last} [{rotor.track_unit}], up positive")
    yield _heights_table(rotor, heights[last], digits)
    first = next(run for run in names if heights[run])
    drawn = [
        Heights(
            regime, heights[first].get(regime, {}),
            heights[last].get(regime, {}) if last != first else {}, record.limit(None, regime),
        )
        for regime in rotor.regime_names
    ]  # fmt: skip
    second = f"run {last}" if last != first else ""
    picture = track_picture(rotor.blades, rotor.track_unit, drawn, f"run {first}", second)
    if picture is not None:
        yield picture


def _heights_table(
    rotor: Rotor, heights: dict[str, dict[str, float]] | object, digits: int
) -> Table:
    found: dict[str, dict[str, float]] = heights  # type: ignore[assignment]
    rows = [
        (regime, *(height(found[regime][b], digits) for b in rotor.blades))
        for regime in rotor.regime_names
        if regime in found
    ]
    return table(["Regime", *(f">{b}" for b in rotor.blades)], rows)


def moves_made(record: JobRecord) -> Iterable[Block]:
    """Yield what was moved, what happened besides, and what was not used."""
    rotor = record.rotor
    rows = []
    for run in record.run_names:
        for m in record.moves(run):
            move = Move(str(m["blade"]), str(m["adjuster"]), float(m["amount"]))
            adjuster = rotor.adjuster(move.adjuster)
            change = f"{signed(move.amount, adjuster.step)} {adjuster.unit}"
            done = what_to_do(move, adjuster)
            rows.append((f"after run {run}", move.blade, adjuster.name, change, done))
    yield Heading("Moves made")
    if rows:
        yield table(["When", "Blade", "Adjuster", ">Change", "In words"], rows)
    else:
        yield Line("None is logged.")
    yield from _ordered(record)
    events = record.history.events
    of_job = records(events[events["job"] == record.job])
    if of_job:
        yield Heading("Events")
        said = tuple(
            f"After run {e['after_run']}: {e['kind']}"
            + (f" ({e['sensor']})" if e["sensor"] else "")
            + (f": {e['note']}" if e["note"] else "")
            for e in of_job
        )
        yield Bullets(said)
    excluded = record.history.excluded
    left = records(excluded[excluded["job"] == record.job])
    if left:
        yield Heading("Left out by hand")
        yield Bullets(
            tuple(
                f"Run {e['run']}, {e['sensor'] or e['blade'] or e['table']} in {e['regime']}: "
                f"{e['reason']}"
                for e in left
            )
        )
    doubts = [p for p in record.history.doubts if p.job == record.job]
    if doubts:
        yield Heading("Doubts about entries of this job")
        yield Bullets(tuple(str(p) for p in doubts))


def _ordered(record: JobRecord) -> Iterable[Block]:
    """Yield what was ordered and is not what was made, and what orders were to bring."""
    rows: list[tuple[str, ...]] = []
    said = []
    for run, order in record.ordered.items():
        if order.taken_back:
            said.append(f"After run {run}: the order was taken back by {order.who}.")
            continue
        made = {(m["blade"], m["adjuster"]): float(m["amount"]) for m in record.moves(run)}
        asked = {(m.blade, m.adjuster): m.amount for m in order.moves}
        for place in dict.fromkeys((*asked, *made)):
            if made and abs(made.get(place, 0.0) - asked.get(place, 0.0)) > 1e-9:
                rows.append(_beside(record, run, place, asked.get(place), made.get(place)))
        chance = f"a chance of {percent(order.chance)}" if order.chance is not None else "no chance"
        same = "not made yet" if not made else "made as ordered"
        if any(row[0] == f"after run {run}" for row in rows):
            same = "NOT made as ordered"
        said.append(
            f"After run {run} {count(len(order.moves), 'move')} ordered by {order.who}, with "
            f"{chance} that the next run is inside every limit: {same}."
        )
    if said:
        yield Heading("Ordered, and made")
        yield Bullets(tuple(said))
    if rows:
        yield table(["When", "Blade", "Adjuster", ">Ordered", ">Made"], rows, ["bad"] * len(rows))


def _beside(
    record: JobRecord, run: str, place: tuple[str, str], asked: float | None, made: float | None
) -> tuple[str, ...]:
    adjuster = record.rotor.adjuster(place[1])
    shown = (
        "nothing" if x is None else f"{signed(x, adjuster.step)} {adjuster.unit}"
        for x in (asked, made)
    )  # fmt: skip
    return (f"after run {run}", place[0], adjuster.name, *shown)


def _sign(value: complex | None, limit: float | None) -> str:
    over = value is not None and limit is not None and abs(value) > INSIDE * limit
    return " !" if over else ""


def _named(sensor: str | None) -> str:
    return sensor or "track spread"
