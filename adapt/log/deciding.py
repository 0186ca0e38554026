"""From a suspect entry and what a specialist says of it to a decision, ready to be written down.

A suspect is a row of `suspects` in the document of `learn`: its place, and explanations with the
entries that would have been right. Nothing here looks for suspects or touches a file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from adapt.log.history import History
from adapt.log.reading import Log
from adapt.phasor import clock_text, from_lag, phase_deg
from adapt.problems import BadInput, CannotBeMet, one_of
from adapt.rotor import Rotor
from adapt.tables import Table

__all__ = ["Change", "Decision", "accept", "exclude", "keep", "suspect_at", "why_not"]

Suspect = Mapping[str, Any]

WHOLE_MINUTE_DEG = 1e-6  # of half a degree: such a phase is written as a clock angle


@dataclass(frozen=True)
class Change:
    """One entry as it stands in the log and as it is right, in the cells of `corrections`.

    run: of a reading its run, of a move the run after which it was made. clocks and phases in the
    sensor's own convention; corrected "" = the reading is not to be used.
    """

    table: str
    job: str
    run: str
    blade: str = ""
    adjuster: str = ""
    sensor: str = ""
    regime: str = ""
    entered: str = ""
    entered_clock: str = ""
    entered_phase_deg: str = ""
    corrected: str = ""
    corrected_clock: str = ""
    corrected_phase_deg: str = ""


@dataclass(frozen=True)
class Decision:
    """What is decided about one suspect: its place, the words for it, and what it changes."""

    job: str
    table: str
    after_run: str
    run: str
    decision: str
    kind: str
    explanation: str
    changes: tuple[Change, ...] = ()


def suspect_at(suspects: Sequence[Suspect], history: History, job: str, run: str) -> Suspect:
    """Return the suspect of a job and run; the first listed when there are several.

    Raises BadInput for a job or run that the log does not have, CannotBeMet when nothing is
    suspect there.
    """
    for suspect in suspects:
        if (suspect["job"], suspect["run"]) == (job, run):
            return suspect
    jobs = list(dict.fromkeys(str(name) for name in history.runs["job"]))
    if job in history.set_aside:
        raise BadInput(f"job {job} is set aside because of faults in the log: mend them first")
    if job not in jobs:
        raise BadInput(f"found the job {job!r}, expected {one_of('a job of the log', job, jobs)}")
    runs = [str(name) for name in history.runs.loc[history.runs["job"] == job, "run"]]
    if run not in runs:
        raise BadInput(f"found the run {run!r}, expected {one_of(f'a run of {job}', run, runs)}")
    places = [f"{s['job']} run {s['run']}" for s in suspects]
    listed = f"suspect are: {', '.join(places)}" if places else "no entry of this log is"
    made = history.reviews[(history.reviews["job"] == job) & (history.reviews["run"] == run)]
    decided = "".join(
        f"; review {r}: {d}" for r, d in zip(made["review"], made["decision"], strict=True)
    )
    raise CannotBeMet(f"run {run} of {job} is not suspect{decided}; {listed}")


def why_not(explanation: Mapping[str, Any]) -> str | None:
    """Return why an explanation cannot be accepted as it stands, None when it can."""
    entries = explanation["entries"]
    if not entries:
        return "it does not say what would have been right"
    if any(entry.get("amount", 0.0) is None for entry in entries):
        return "the size of the move is not known"
    return None


def accept(
    rotor: Rotor,
    log: Log,
    history: History,
    suspect: Suspect,
    number: int,
    amount: float | None = None,
) -> Decision:
    """Return the decision that explanation `number` (from 1) of a suspect is true.

    amount: the size of a move that was not recorded [the adjuster's unit]; it counts beside what is
    entered for that blade and adjuster.

    Raises BadInput for a number or an amount that makes no sense, CannotBeMet when the explanation
    does not say what would have been right, or an entry was corrected before.
    """
    told = _explanation(suspect, number)
    entries = [dict(entry) for entry in told["entries"]]
    open_ = [entry for entry in entries if entry.get("amount", 0.0) is None]
    offer = "exclude it (--exclude), or keep it as entered (--keep)"
    if not entries:
        raise CannotBeMet(
            f"explanation {number} ({told['text']}) cannot be accepted: {why_not(told)}. Find out "
            f"what was done and mend the log, or {offer}"
        )
    if open_ and amount is None:
        raise CannotBeMet(
            f"explanation {number} ({told['text']}) cannot be accepted as it stands: "
            f"{why_not(told)}. Give it (--amount), or {offer}"
        )
    if len(open_) > 1:
        raise CannotBeMet(
            f"explanation {number} ({told['text']}) cannot be accepted: the sizes of "
            f"{len(open_)} moves are not known. Mend the log, or {offer}"
        )
    if amount is not None and not open_:
        raise BadInput(
            f"found an amount, expected none: explanation {number} ({told['text']}) says how much"
        )
    text = str(told["text"])
    for entry in open_:
        if amount is None or not np.isfinite(amount) or amount == 0:
            raise BadInput(f"found the amount {amount}, expected the size of the move, not 0")
        entry["amount"] = _moved(history, entry) + amount
        text += f"; size given: {amount:+g} {rotor.adjuster(str(entry['adjuster'])).unit}"
    changes = [
        _move(history, entry) if entry["table"] == "moves" else _reading(rotor, log, history, entry)
        for entry in entries
    ]
    return _decision(suspect, "accept", str(told["kind"]), text, tuple(changes))


def exclude(
    rotor: Rotor, log: Log, history: History, suspect: Suspect, number: int | None = None
) -> Decision:
    """Return the decision that a suspect teaches nothing.

    number: an explanation (from 1) that names readings: these are then not used, the rest of the
    run is; None leaves out the pair, or both pairs of a suspect reading's run.

    Raises BadInput for an explanation that is not there or names no readings.
    """
    if number is None:
        return _decision(suspect, "exclude", str(suspect["kind"]), _likeliest(suspect))
    told = _explanation(suspect, number)
    if not told["entries"] or any(entry["table"] != "readings" for entry in told["entries"]):
        raise BadInput(
            f"found explanation {number} ({told['text']}), expected one that names readings; "
            "--exclude without a number leaves the pair out"
        )
    changes = []
    for entry in told["entries"]:
        change = _reading(rotor, log, history, entry)
        changes.append(
            Change(
                **{k: v for k, v in vars(change).items() if not k.startswith("corrected")},
            )
        )
    return _decision(suspect, "exclude", str(told["kind"]), str(told["text"]), tuple(changes))


def keep(suspect: Suspect) -> Decision:
    """Return the decision that a suspect was looked at and is right as it was entered."""
    return _decision(suspect, "keep", str(suspect["kind"]), _likeliest(suspect))


def _decision(
    suspect: Suspect, decision: str, kind: str, text: str, changes: tuple[Change, ...] = ()
) -> Decision:
    first = next(iter(suspect["explanations"][0]["entries"]), None)
    return Decision(
        job=str(suspect["job"]),
        table="moves" if first is None else str(first["table"]),
        after_run=str(suspect["after_run"]),
        run=str(suspect["run"]),
        decision=decision,
        kind=kind,
        explanation=text,
        changes=changes,
    )


def _likeliest(suspect: Suspect) -> str:
    return str(suspect["explanations"][0]["text"])


def _explanation(suspect: Suspect, number: int) -> Mapping[str, Any]:
    listed = suspect["explanations"]
    if not 1 <= number <= len(listed):
        most = f"1 to {len(listed)}" if len(listed) > 1 else "1, the only one"
        raise BadInput(f"found explanation {number}, expected {most}")
    explanation: Mapping[str, Any] = listed[number - 1]
    return explanation


def _moved(history: History, entry: Mapping[str, Any]) -> float:
    """Return what is entered of one blade and adjuster after a run, 0 when nothing is."""
    moves = history.moves
    here = (moves["job"] == entry["job"]) & (moves["after_run"] == entry["after_run"])
    here &= (moves["blade"] == entry["blade"]) & (moves["adjuster"] == entry["adjuster"])
    return float(moves.loc[here, "amount"].sum())


def _move(history: History, entry: Mapping[str, Any]) -> Change:
    names = {name: str(entry[name]) for name in ("job", "blade", "adjuster")}
    change = Change(table="moves", run=str(entry["after_run"]), **names)
    _refuse_twice(history, change)
    now = _moved(history, entry)
    return Change(
        **vars(change)
        | {"entered": _number(now) if now else "", "corrected": _number(float(entry["amount"]))}
    )


def _reading(rotor: Rotor, log: Log, history: History, entry: Mapping[str, Any]) -> Change:
    names = {name: str(entry[name]) for name in ("job", "run", "sensor", "regime")}
    change = Change(table="readings", **names)
    _refuse_twice(history, change)
    table = log.tables["readings"]
    row = next(_rows(table, names), None)
    if row is None:
        parts = rotor.sensor(change.sensor).combination or {}
        raise CannotBeMet(
            f"{change.sensor} in {change.regime} was not read in run {change.run} but made of "
            f"{' and '.join(parts)}: mend those readings in the log, or exclude the pair "
            "(--exclude)"
        )
    readings = history.readings
    here = np.logical_and.reduce([readings[k] == v for k, v in names.items()])
    phase = rotor.sensor(change.sensor).phase
    as_clock = table.text("phase_deg")[row] == ""
    right = complex(from_lag(complex(entry["real"], entry["imag"]), phase))
    was = complex(from_lag(complex(readings.loc[here, "value"].iloc[0]), phase))
    return Change(
        **vars(change) | _cells("entered", was, as_clock) | _cells("corrected", right, as_clock)
    )


def _refuse_twice(history: History, change: Change) -> None:
    """Raise CannotBeMet when an entry was corrected before."""
    rows = history.corrections
    place = ("table", "job", "run", "blade", "adjuster", "sensor", "regime")
    here = np.logical_and.reduce([rows[k] == getattr(change, k) for k in place])
    if here.any():
        review = rows.loc[here, "review"].iloc[0]
        raise CannotBeMet(
            f"this entry was corrected before, by review {review}, and is suspect again: take that "
            "review back (--undo) and decide anew"
        )


def _rows(table: Table, names: Mapping[str, str]) -> Iterator[int]:
    """Yield the rows of a table that have all of these names."""
    same = np.ones(len(table), dtype=bool)
    for column, name in names.items():
        same &= table.text(column) == name
    yield from np.flatnonzero(same).tolist()


def _cells(column: str, value: complex, as_clock: bool) -> dict[str, str]:
    """Return amplitude and phase of a reading, in the sensor's own convention, as cells."""
    phase = float(phase_deg(value))
    cells = {column: _number(abs(value))}
    if as_clock and abs(2 * phase - round(2 * phase)) <= 2 * WHOLE_MINUTE_DEG:
        return {**cells, f"{column}_clock": clock_text(phase)}
    return {**cells, f"{column}_phase_deg": _number(phase)}


def _number(value: float) -> str:
    return f"{value:.12g}"
