"""Pages for the specialist: one coefficient in the published sets of a design, set by set."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from flask import Flask, render_template, request

from adapt.coefficients.summary import summary_of
from adapt.logbook.sets import PublishedSet, coefficients_of, source_of
from adapt.pages.designs import design_asked_for, serials_of
from adapt.problems import BadInput, one_of
from adapt.reports.layout import Block, Heading, Line, Row, Tone, table
from adapt.reports.learning.effect_cells import at_clock, clock_spread, interval
from adapt.reports.pictures.over_time import InSet, over_time_picture
from adapt.reports.wording import vibration_decimals
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["routes"]

MOST_SETS = 24  # the latest
_NOT_KNOWN = float("nan")


def routes(app: Flask, shop: Shop) -> None:
    """Add the page."""

    @app.get("/rotors/over-time")
    def over_time() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            return render_template("no_design.html", state=state, title="Over time")
        serials = list(serials_of(state, rotor))
        adjuster = _chosen("adjuster", rotor.adjuster_names)
        sensor = _chosen("sensor", [s.name for s in rotor.sensors])
        serial = _chosen("rotor", ["", *serials])
        sets = state.sets(rotor)
        shown = sets[-MOST_SETS:]
        return render_template(
            "over_time.html", state=state, rotor=rotor, rotors=state.rotors(), serials=serials,
            adjuster=adjuster, sensor=sensor, serial=serial, sets=shown,
            older=len(sets) - len(shown),
            report=_report(state, rotor, shown, adjuster, sensor, serial) if shown else [],
        )  # fmt: skip


def _chosen(name: str, among: Any) -> str:
    """Return what the request names, the first where it names nothing."""
    listed = list(among)
    given = request.args.get(name) or listed[0]
    if given not in listed:
        raise BadInput(f"{name}: found {given!r}; expected {one_of(name, given, listed)}")
    return str(given)


def _report(
    state: State, rotor: Rotor, sets: list[PublishedSet], adjuster: str, sensor: str, serial: str
) -> list[Block]:
    """Return a picture for each regime, and the table of all."""
    unit, kind = rotor.sensor(sensor).unit, rotor.adjuster(adjuster)
    found = [_in_set(state, one, adjuster, sensor, serial) for one in sets]
    largest = max((p.amplitude for at in found for p in at.values() if p.amplitude > 0), default=1)
    per = 1.0
    while largest * per < 0.02 and per < 1e4:
        per *= 10
    amount = f"{unit} per {per:g} {kind.unit}" if per != 1 else f"{unit} per {kind.unit}"
    digits = vibration_decimals(unit)
    pictures, rows, tones = [], [], list[Tone]()
    for regime in rotor.regime_names:
        points = [_times(per, at.get(regime) or _nothing(one)) for one, at in
                  zip(sets, found, strict=True)]  # fmt: skip
        picture = over_time_picture(f"{sensor}, {regime}", amount, points, digits)
        if picture is None:
            continue
        pictures.append(picture)
        rows.append((f"{regime} [{amount}]", *[""] * 4))
        tones.append("plain")
        for k, p in enumerate(points, start=1):
            rows.append((f"{k}", p.label, f"{p.published:%Y-%m-%d}", *_cells(p, digits)))
            tones.append("bad" if p.withdrawn else "plain")
    if not pictures:
        return [Line(f"No set says anything of {adjuster} on {sensor}.")]
    titles = [">No.", "Set", "Published", ">Coefficient", ">95 %"]
    return [
        Row(tuple(pictures)),
        Heading("Set by set"),
        table(titles, rows, tones),
        Line(
            "Amplitude @ clock angle, ± half of its 95 % interval; 95 %: the amplitude's; any: "
            "zero cannot be ruled out. Crosses, and marked lines: sets that were withdrawn."
        ),
    ]


def _cells(point: InSet, digits: int) -> tuple[str, str]:
    value = at_clock(point.amplitude, point.phase_deg, digits, not point.has_phase)
    around = clock_spread(point.phase_low_deg, point.phase_high_deg)
    return f"{value} {around}".strip(), interval(point.low, point.high, digits)


def _in_set(
    state: State, one: PublishedSet, adjuster: str, sensor: str, serial: str
) -> dict[str, InSet]:
    """Return a coefficient in one set by regime, read by the rotor file that the set was made with.

    Of a rotor that the set does not know there is nothing.
    """

    def read() -> dict[tuple[str | None, str, str], dict[str, InSet]]:
        with state.book.reading() as connection:
            own, _ = source_of(state.book, connection, one)
            stored = coefficients_of(state.book, connection, one)
        found: dict[tuple[str | None, str, str], dict[str, InSet]] = {}
        for row in summary_of(stored, own).to_dict("records"):
            point = InSet(
                one.label, datetime.fromisoformat(one.recorded), one.withdrawn is not None,
                *(float(row[k]) for k in ("amplitude", "low", "high", "phase_deg",
                                          "phase_low_deg", "phase_high_deg")),
            )  # fmt: skip
            key = (row["rotor"], str(row["adjuster"]), str(row["sensor"]))
            found.setdefault(key, {})[str(row["regime"])] = point
        return found

    return state.of_set(one, read).get((serial or None, adjuster, sensor), {})


def _nothing(one: PublishedSet) -> InSet:
    when = datetime.fromisoformat(one.recorded)
    return InSet(one.label, when, one.withdrawn is not None, *(6 * (_NOT_KNOWN,)))


def _times(per: float, p: InSet) -> InSet:
    """Return the effect of so many units."""
    return InSet(
        p.label, p.published, p.withdrawn, per * p.amplitude, per * p.low, per * p.high,
        p.phase_deg, p.phase_low_deg, p.phase_high_deg,
    )  # fmt: skip
