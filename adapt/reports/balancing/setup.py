"""What turns between two set-ups, for people and for scripts: what a reading here is on the chart.

Values in, blocks and documents out; the drawing lives in `setup_drawn`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from adapt.balancing.setup.geometry import pulse_deg, turned_deg
from adapt.balancing.setup.mistakes import mistakes_of
from adapt.balancing.setup.turns import Turn, reference_turn_deg, shown_name
from adapt.balancing.setup.values import Setup
from adapt.phasor import clock_text
from adapt.reports.balancing.setup_words import offset, sentences, sits, turned_phase
from adapt.reports.cautions import SHORT
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.wording import vibration_decimals
from adapt.rotor import Rotor

__all__ = ["Asked", "setup_document", "setup_report"]

NEAR_QUARTER_DEG = 10.0  # a third of an hour: as near as people read a disc

CHECK = (
    "Before a correction is made by the chart, check it by one small known move: the reading must "
    "change by about what the chart says. A quarter turn, half a turn or a blade spacing off means "
    "that a side, the sense of rotation, an edge or a blade was mistaken."
)


@dataclass(frozen=True)
class Asked:
    """One reading that was asked for, as the instrument here shows it."""

    sensor: str
    amplitude: float
    phase_deg: float


def setup_report(
    rotor: Rotor, here: Setup, chart: Setup, turns: Mapping[str, Turn], asked: Sequence[Asked] = ()
) -> list[Block]:
    """Return the report of two set-ups and of the readings that were asked for."""
    report: list[Block] = [
        Heading(f"{shown_name(rotor.name)}: from the set-up here to the chart", 1)
    ]
    report.append(
        table(
            ["", "Here", "Chart"],
            [
                ("set-up", shown_name(here.name), shown_name(chart.name)),
                *_rows_of(rotor, here, chart),
            ],
        )
    )
    report.append(_reference_line(rotor, here, chart))
    if here.mounts or chart.mounts:
        report += [Heading("Where sensors sit"), _mounts(rotor, here, chart)]
    if asked:
        report += [Heading("Readings"), _readings(rotor, turns, asked)]
    report += [Heading("Sensors"), _sensors(rotor, turns), Bullets(tuple(sentences(turns, rotor)))]
    doubtful = [
        f"{shown_name(t.sensor)}: {t.approximate}." for t in turns.values() if t.approximate
    ]
    if doubtful:
        report += [Heading("Only about right"), Bullets(tuple(doubtful), "bad")]
    report += [Heading("If a set-up is described wrongly"), _mistakes(rotor, here, chart)]
    report += [Line(CHECK), Heading("Cautions"), Bullets(SHORT)]
    return report


def setup_document(
    rotor: Rotor, here: Setup, chart: Setup, turns: Mapping[str, Turn], asked: Sequence[Asked] = ()
) -> dict[str, Any]:
    """Return what turns between two set-ups as a document.

    turn_deg: added to a phase as shown here, its sign changed first where mirrors is true [deg of
    the sensor's order]; lag_deg: the same as lag. Null where there is no turn.
    """
    return {
        "rotor": rotor.name,
        "here": here.name,
        "chart": chart.name,
        "reference_turn_deg": reference_turn_deg(rotor, here, chart),
        "near_quarter_turn": _near_quarter(reference_turn_deg(rotor, here, chart)) is not None,
        "sensors": [
            {
                "sensor": t.sensor,
                "order": t.order,
                "turn_deg": None if t.cannot else t.shown_deg,
                "lag_deg": None if t.cannot else t.lag_deg,
                "mirrors": t.mirrors,
                "phase_here": t.phase_from,
                "phase_chart": t.phase_to,
                "reference_deg": t.reference_deg,
                "direction_deg": t.direction_deg,
                "instrument_deg": t.instrument_deg,
                "place_deg": t.place_deg,
                "approximate": t.approximate or None,
                "cannot": t.cannot or None,
            }
            for t in turns.values()
        ],
        "readings": [
            {
                "sensor": a.sensor,
                "here": {"amplitude": a.amplitude, "phase_deg": a.phase_deg},
                "chart": {
                    "amplitude": a.amplitude,
                    "phase_deg": turned_phase(turns[a.sensor], a.phase_deg),
                },
            }
            for a in asked
        ],
        "mistakes": [
            {"setup": setup.name, "mistake": m.text, "turn_deg": m.turn_deg}
            for setup in (here, chart)
            for m in mistakes_of(setup, rotor)
        ],
    }


def _near_quarter(turn: float) -> str | None:
    """Return what a turn of shaft is near to, where people make that mistake."""
    if abs(abs(turn) - 90.0) <= NEAR_QUARTER_DEG:
        return "a quarter turn"
    return "half a turn" if abs(turn) >= 180.0 - NEAR_QUARTER_DEG else None


def _rows_of(rotor: Rotor, here: Setup, chart: Setup) -> list[tuple[str, str, str]]:
    def both(what: str, of: Any) -> tuple[str, str, str]:
        return what, of(here), of(chart)

    return [
        both("seen from", lambda s: f"{s.seen_from}, 12 o'clock: {shown_name(s.twelve)}"),
        both("turns", lambda s: "clockwise" if s.clockwise else "anticlockwise"),
        both("pickup", lambda s: f"{s.reference.kind} at {clock_text(s.reference.angle_deg)}"),
        both("answers to", lambda s: _mark(s)),
        both(
            f"pulse, blade {shown_name(rotor.blades[0])} at",
            lambda s: f"{pulse_deg(s, rotor):.4g} deg on from 12 o'clock",
        ),
    ]


def _mark(setup: Setup) -> str:
    reference = setup.reference
    edge = "centre" if reference.answers_to == "centre" else f"{reference.answers_to} edge"
    return f"{edge}; middle {offset(reference.ahead_deg)} blade {shown_name(reference.blade)}"


def _reference_line(rotor: Rotor, here: Setup, chart: Setup) -> Line:
    turn = reference_turn_deg(rotor, here, chart)
    if abs(turn) < 0.05:
        return Line("The pulse comes at the same instant in both set-ups.", "good")
    when, more = ("earlier", "more") if turn > 0 else ("later", "less")
    far = f"{round(abs(turn), 2):g} deg"
    text = (
        f"The chart's pulse comes {far} of shaft {when} in the turn: readings of order 1 lag {far} "
        f"{more} there."
    )
    near = _near_quarter(turn)
    if near is None:
        return Line(text)
    return Line(f"{text} That is near {near}: using the chart without turning is the classic "
                "mistake.", "bad")  # fmt: skip


def _mounts(rotor: Rotor, here: Setup, chart: Setup) -> Block:
    """Return where each sensor sits, as each set-up's own side sees it."""

    def told(setup: Setup, name: str) -> str:
        mount = setup.mount(name)
        return "-" if mount is None else sits(setup, mount, setup.seen_from)

    rows = [
        (shown_name(s.name), told(here, s.name), told(chart, s.name))
        for s in rotor.sensors
        if here.mount(s.name) or chart.mount(s.name)
    ]
    return table(["Sensor", "Here", "Chart"], rows)


def _sensors(rotor: Rotor, turns: Mapping[str, Turn]) -> Block:
    rows = []
    for turn in turns.values():
        parts = (turn.reference_deg, turn.direction_deg, turn.instrument_deg, turn.place_deg)
        whole = "-" if turn.cannot else _degrees(turned_deg(turn.lag_deg))
        shown_as = (
            turn.phase_to if not turn.mirrors else f"{turn.phase_from}, chart {turn.phase_to}"
        )
        cells = [_degrees(p) for p in parts]
        rows.append((shown_name(turn.sensor), str(turn.order), *cells, whole, shown_as))
    titles = ["Sensor", ">Order", ">Reference", ">Direction", ">Instrument", ">Place",
              ">More lag in all [deg]", "Shown as"]  # fmt: skip
    return table(titles, rows)


def _degrees(turn: float) -> str:
    """Return a turn with its sign, to the hundredth of a degree."""
    return f"{round(turn, 2):+g}" if round(turn, 2) else "0"


def _readings(rotor: Rotor, turns: Mapping[str, Turn], asked: Sequence[Asked]) -> Block:
    rows = []
    for a in asked:
        sensor, turn = rotor.sensor(a.sensor), turns[a.sensor]
        size = f"{a.amplitude:.{vibration_decimals(sensor.unit)}f}"
        after = turned_phase(turn, a.phase_deg)
        about = "about " if turn.approximate else ""
        rows.append((
            shown_name(a.sensor),
            f"{size} @ {clock_text(a.phase_deg):>5}",
            f"{about}{size} @ {clock_text(after):>5}",
        ))  # fmt: skip
    return table(["Sensor", ">Here", ">On the chart"], rows)


def _mistakes(rotor: Rotor, here: Setup, chart: Setup) -> Block:
    rows = [
        (of, m.text, _degrees(m.turn_deg))
        for of, setup in (("here", here), ("chart", chart))
        for m in mistakes_of(setup, rotor)
    ]
    return table(["Set-up", "What is taken for what", ">Readings lag more [deg of shaft]"], rows)
