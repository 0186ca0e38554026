"""What is typed into the form of a run, as rows to enter, and rows in force as what the form shows.

A field's name says where it belongs: `a.SENSOR.REGIME` an amplitude, `c.SENSOR.REGIME` its angle,
`h.REGIME.BLADE` a height, `m.ADJUSTER.BLADE` a move, `f.ADJUSTER.BLADE` what is fitted where a job
starts, by their places in the rotor file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from adapt.database.schema import KEYS
from adapt.log_columns import EVENT_KINDS
from adapt.logbook.entering import EnteredRow, Entering
from adapt.problems import Problem
from adapt.problems import shown as shown_name
from adapt.rotor import Rotor
from adapt.tables import Table

__all__ = [
    "CONDITIONS", "Filled", "events_filled", "fitted_filled", "moves_filled", "run_filled",
    "shown_of",
]  # fmt: skip

MOST_OF_A_NAME = 200  # characters
CONDITIONS = ("gross_weight", "wind_kt", "oat_c", "rpm")
_OF_RUN = ("started", *CONDITIONS, "note")
_DEGREES = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*(?:°|deg)?", re.IGNORECASE)
_MINUS = re.compile(
    "^[\u2012-\u2015\u2212](?=[0-9.,])"
)  # as keyboards of phones and offices write it
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+")


@dataclass
class Filled:
    """A form as rows to enter. fields: of each row, by column; wrong: by field, what is wrong."""

    rows: list[EnteredRow] = field(default_factory=list)
    fields: list[dict[str, str]] = field(default_factory=list)
    wrong: dict[str, str] = field(default_factory=dict)

    def add(self, row: EnteredRow, fields: Mapping[str, str]) -> None:
        self.rows.append(row)
        self.fields.append(dict(fields))

    def placed(self, problems: Iterable[Problem]) -> tuple[dict[str, str], list[str]]:
        """Return what findings say of fields, and those that are of none."""
        by_field: dict[str, str] = {}
        of_none: list[str] = []
        for problem in problems:
            said = f"found {problem.found}; expected {problem.expected}"
            fields = self.fields[problem.row] if problem.row is not None and problem.row < len(
                self.fields) and problem.file == "the form" else {}  # fmt: skip
            at = fields.get(problem.column or "") or next(iter(fields.values()), None)
            if at is None:
                of_none.append(str(problem))
            else:
                by_field.setdefault(at, said)
        return by_field, of_none

    def changed_meanwhile(self, entering: Entering) -> dict[str, str]:
        """Return by field what somebody else has entered there meanwhile."""
        found = {}
        for other in entering.meanwhile:
            fields = self.fields[other.row]
            for column, name in fields.items():
                theirs = "nothing" if other.theirs is None else other.theirs.get(column, "")
                found[name] = theirs or _angle_of(other.theirs or {}) or "nothing"
        return found


def shown_of(rotor: Rotor, tables: Mapping[str, Table], job: str, run: str) -> dict[str, str]:
    """Return what the form of a run shows of the rows in force, by field."""
    shown: dict[str, str] = {}
    for cells in _rows(tables, "runs", job=job, run=run):
        shown |= {name: cells.get(name, "") for name in _OF_RUN if cells.get(name)}
    sensors = {s.name: k for k, s in enumerate(rotor.sensors)}
    regimes = {r: k for k, r in enumerate(rotor.regime_names)}
    blades = {b: k for k, b in enumerate(rotor.blades)}
    adjusters = {a: k for k, a in enumerate(rotor.adjuster_names)}
    for cells in _rows(tables, "readings", job=job, run=run):
        if cells["sensor"] in sensors and cells["regime"] in regimes:
            at = f"{sensors[cells['sensor']]}.{regimes[cells['regime']]}"
            shown[f"a.{at}"], shown[f"c.{at}"] = cells.get("amplitude", ""), _angle_of(cells)
    for cells in _rows(tables, "track", job=job, run=run):
        if cells["regime"] in regimes and cells["blade"] in blades:
            shown[f"h.{regimes[cells['regime']]}.{blades[cells['blade']]}"] = cells.get(
                "height", ""
            )
    for cells in _rows(tables, "moves", job=job, after_run=run):
        if cells["adjuster"] in adjusters and cells["blade"] in blades:
            at = f"{adjusters[cells['adjuster']]}.{blades[cells['blade']]}"
            shown[f"m.{at}"] = cells.get("amount", "")
    for cells in _rows(tables, "fitted", job=job):
        if cells["adjuster"] in adjusters and cells["blade"] in blades:
            at = f"{adjusters[cells['adjuster']]}.{blades[cells['blade']]}"
            shown[f"f.{at}"] = cells.get("amount", "")
    return shown


def run_filled(
    rotor: Rotor, job: str, serial: str, aircraft: str, design: str, run: str,
    given: Mapping[str, str], was: Mapping[str, str], is_new: bool,
) -> Filled:  # fmt: skip
    """Return the rows of a run: the run itself, its readings, its track.

    given: by field, as typed; was: as shown when the form was filled in. is_new: the run is not in
    the log yet.
    """
    filled = Filled()
    _of_run(filled, job, serial, aircraft, design, run, given, was, is_new)
    for s, sensor in enumerate(rotor.sensors):
        if sensor.combination is not None:
            continue
        for r, regime in enumerate(rotor.regime_names):
            key = {"job": job, "run": run, "regime": regime, "sensor": sensor.name}
            _reading(filled, key, f"a.{s}.{r}", f"c.{s}.{r}", given, was)
    if rotor.has_track:
        for r, regime in enumerate(rotor.regime_names):
            for b, blade in enumerate(rotor.blades):
                key = {"job": job, "run": run, "regime": regime, "blade": blade}
                _one_cell(filled, "track", key, "height", f"h.{r}.{b}", given, was)
    if not run.isprintable() or len(run) > MOST_OF_A_NAME:
        filled.wrong["started"] = f"found {shown_name(run)} as the run's name; expected a short one"
    elif is_new and len(filled.rows) == 1 and not filled.wrong:
        first = next((k for k, s in enumerate(rotor.sensors) if s.combination is None), 0)
        filled.wrong[f"a.{first}.0"] = "found no reading and no height; expected at least one"
    return filled


def moves_filled(
    rotor: Rotor, job: str, after_run: str, given: Mapping[str, str], was: Mapping[str, str]
) -> Filled:
    """Return the rows of the moves made after a run."""
    filled = Filled()
    for a, adjuster in enumerate(rotor.adjuster_names):
        for b, blade in enumerate(rotor.blades):
            key = {"job": job, "after_run": after_run, "blade": blade, "adjuster": adjuster}
            _one_cell(filled, "moves", key, "amount", f"m.{a}.{b}", given, was)
    return filled


def fitted_filled(
    rotor: Rotor, job: str, given: Mapping[str, str], was: Mapping[str, str]
) -> Filled:
    """Return the rows of what is fitted where a job starts."""
    filled = Filled()
    for a, adjuster in enumerate(rotor.adjuster_names):
        for b, blade in enumerate(rotor.blades):
            key = {"job": job, "blade": blade, "adjuster": adjuster}
            _one_cell(filled, "fitted", key, "amount", f"f.{a}.{b}", given, was)
    return filled


def events_filled(rotor: Rotor, job: str, after_run: str, given: Mapping[str, str]) -> Filled:
    """Return the row of an event after a run."""
    filled = Filled()
    kind, sensor = given.get("kind", "").strip(), given.get("sensor", "").strip()
    if kind not in EVENT_KINDS:
        filled.wrong["kind"] = f"expected one of {', '.join(EVENT_KINDS)}"
    if kind == "sensor moved" and sensor not in [s.name for s in rotor.sensors]:
        filled.wrong["sensor"] = "expected the sensor that was moved"
    key = {
        "job": job, "after_run": after_run, "kind": kind,
        "sensor": sensor if kind == "sensor moved" else "",
        "note": given.get("note", "").strip(),
    }  # fmt: skip
    filled.add(EnteredRow("events", key, {}), {"kind": "kind", "sensor": "sensor"})
    return filled


def _of_run(
    filled: Filled, job: str, serial: str, aircraft: str, design: str, run: str,
    given: Mapping[str, str], was: Mapping[str, str], is_new: bool,
) -> None:  # fmt: skip
    cells = {}
    for name in _OF_RUN:
        text = given.get(name, "").strip()
        if name in CONDITIONS:
            text = _number(filled, name, text, thousands=name == "gross_weight")
        cells[name] = text
    shown = {name: was.get(name, "") for name in _OF_RUN}
    fields = {**{name: name for name in _OF_RUN}, "run": "run", "rotor": "run"}
    key = {"job": job, "run": run}
    if is_new:
        cells = {k: v for k, v in cells.items() if v}
        row = EnteredRow(
            "runs", key, {"rotor": serial, "aircraft": aircraft, "design": design, **cells}
        )
        filled.add(row, fields)
    elif cells != shown:
        changed = {k: v for k, v in cells.items() if v != shown[k]}
        row = EnteredRow("runs", key, changed, {k: shown[k] for k in changed})
        filled.add(row, fields)


def _reading(
    filled: Filled, key: Mapping[str, str], size: str, angle: str, given: Mapping[str, str],
    was: Mapping[str, str],
) -> None:  # fmt: skip
    amplitude, turned = given.get(size, "").strip(), given.get(angle, "").strip()
    shown = (was.get(size, ""), was.get(angle, ""))
    if (amplitude, turned) == shown:
        return
    fields = {"amplitude": size, "clock": angle, "phase_deg": angle}
    before = None
    if any(shown):
        before = {"amplitude": shown[0], **_angle_cells(shown[1], degrees=True)}
    if not amplitude and not turned:
        filled.add(EnteredRow("readings", key, None, before), fields)
        return
    if not amplitude:
        filled.wrong[size] = "found nothing; expected the amplitude that goes with the angle"
    if not turned:
        filled.wrong[angle] = "found nothing; expected the angle that goes with the amplitude"
    if not (amplitude and turned):
        return
    cells = _angle_cells(turned, given.get("angles") == "degrees")
    if not cells:
        filled.wrong[angle] = (
            f"found {turned!r}; expected a clock angle such as 4:30, or degrees such as 135°"
        )
        return
    cells["amplitude"] = _number(filled, size, amplitude)
    filled.add(EnteredRow("readings", key, cells, before), fields)


def _one_cell(
    filled: Filled, table: str, key: Mapping[str, str], column: str, name: str,
    given: Mapping[str, str], was: Mapping[str, str],
) -> None:  # fmt: skip
    text, shown = given.get(name, "").strip(), was.get(name, "")
    if text == shown:
        return
    before = {column: shown} if shown else None
    # A move of nothing is no move.
    if not text or (table == "moves" and re.fullmatch(r"[+-]?0+(?:[.,]0*)?", text)):
        if shown:
            filled.add(EnteredRow(table, key, None, before), {column: name})
        return
    cells = {column: _number(filled, name, text)}
    fields = dict.fromkeys((column, *KEYS[table]), name)
    filled.add(EnteredRow(table, key, cells, before), fields)


def _number(filled: Filled, name: str, text: str, thousands: bool = False) -> str:
    """Return a number with the point as decimal sign; what is none stays as it is."""
    text = _MINUS.sub("-", text)
    if thousands and _LIKE_THOUSANDS.fullmatch(text):
        filled.wrong[name] = (
            f"found {text!r}, which is two numbers to two readers; expected it without a sign "
            "between thousands"
        )
    return text.replace(",", ".") if _COMMA.fullmatch(text) else text


def _angle_cells(text: str, degrees: bool) -> dict[str, str]:
    """Return the cells of an angle as typed: of the clock, or in degrees; none where it is neither.

    >>> _angle_cells("4:30", False), _angle_cells("135°", False), _angle_cells("135,5", True)
    ({'clock': '4:30'}, {'phase_deg': '135'}, {'phase_deg': '135.5'})
    >>> _angle_cells("430", False)
    {}
    """
    if ":" in text:
        return {"clock": text}
    found = _DEGREES.fullmatch(text)
    marked = text.rstrip().endswith(("°", "deg", "DEG", "Deg"))
    if found is None or not (degrees or marked):
        return {}
    return {"phase_deg": found[1].replace(",", ".")}


def _angle_of(cells: Mapping[str, str]) -> str:
    """Return the angle of a row as the form shows it."""
    if cells.get("clock"):
        return cells["clock"]
    return f"{cells['phase_deg']}°" if cells.get("phase_deg") else ""


def _rows(tables: Mapping[str, Table], name: str, **key: str) -> Iterable[dict[str, str]]:
    """Yield the cells of the rows of a table that have a key."""
    if name not in tables:
        return
    table = tables[name]
    texts = {c: table.text(c) for c in table.columns}
    for k in range(len(table)):
        if all(c in texts and texts[c][k] == text for c, text in key.items()):
            yield {c: str(column[k]) for c, column in texts.items() if column[k]}
