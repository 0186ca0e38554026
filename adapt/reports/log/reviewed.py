"""Suspect entries with their explanations, and the decisions of specialists about them.

Built from the suspects that `learn` found and from a `History`. Finding suspects lives in
`learning`, deciding and writing in `log`, what scripts read in `review_documents`.
"""

from __future__ import annotations

import cmath
from collections.abc import Iterable, Mapping, Sequence
from shlex import quote
from typing import Any

import pandas as pd

from adapt.log import History
from adapt.log.deciding import why_not
from adapt.reports.layout import Block, Commands, Heading, Line, Table, table
from adapt.reports.log.checked import problem_blocks
from adapt.reports.log.review_documents import asked_for, new_problems, reviews_on
from adapt.reports.wording import (
    amplitude_at_clock,
    count,
    date_and_time,
    percent,
    vibration_decimals,
)
from adapt.rotor import Rotor

__all__ = [
    "decisions_table", "recorded_report", "review_report", "right_in_words", "taken_back_report",
]  # fmt: skip

MOST_EXPLANATIONS = 8
MOST_ENTRIES = 2
ARROW = "->"

Suspect = Mapping[str, Any]


def review_report(
    suspects: Sequence[Suspect],
    rotor: Rotor,
    history: History,
    command: str,
    job: str | None = None,
    run: str | None = None,
) -> list[Block]:
    """Return the suspects, the words that decide about the first, and the decisions made.

    command: what the user types for the whole list, to which the decisions are added. job, run:
    only those.
    """
    suspects, reviews = asked_for(suspects, history, job, run)
    place = [history.source, job and f"job {job}", run and f"run {run}"]
    where = ", ".join(filter(None, place))
    report: list[Block] = [Heading(f"Entries to look at again in {where}", level=1)]
    if suspects:
        report.append(
            Line(
                f"{count(len(suspects), 'suspect entry', 'suspect entries')}: nothing is learned "
                "from such pairs until somebody has decided. The tables of the log stay as they "
                "are, whatever is decided."
            )
        )
    else:
        report.append(Line("No entry is suspect here.", "good"))
    for suspect in suspects:
        report += _suspect(suspect, rotor, history)
    if suspects:
        report += [Heading("To decide, as for the first"), Commands(_commands(suspects, command))]
    if len(reviews):
        report += [
            Heading("Decisions in force"),
            decisions_table(reviews, history, rotor),
            Line(
                "To take one back: adapt review with its --job and --run, and --undo (the latest "
                "on that run first)."
            ),
        ]
    return report


def recorded_report(
    number: str, rotor: Rotor, before: History, history: History, command: str
) -> list[Block]:
    """Return what was written down, as the log that was read again has it, and its new doubts.

    before: the log before the decision.
    """
    new = new_problems(before, history)
    rows = history.reviews[history.reviews["review"] == number]
    row = rows.iloc[0]
    what = {"accept": "accepted", "exclude": "excluded", "keep": "kept"}[str(row["decision"])]
    meaning = _meaning(row, history)
    return [
        Heading(f"Review {number}: {row['job']}, run {row['run']}, {what}", level=1),
        Line(f"Suspected: {row['explanation']}."),
        Line(meaning),
        *_changes(number, rotor, history),
        *([Line("With this, the log is in doubt where it was not before:", "bad")] if new else []),
        *problem_blocks(new),
        Line("Written beside the log, whose own tables stay as they are. Learn again to use it."),
        Heading("To take it back"),
        Commands((f"{command} --job {quote(row['job'])} --run {quote(row['run'])} --undo",)),
    ]


def taken_back_report(row: Mapping[str, str]) -> list[Block]:
    """Return what was taken back."""
    return [
        Heading(f"Review {row['review']} taken back: {row['job']}, run {row['run']}", level=1),
        Line(f"It was: {row['decision']}, suspected: {row.get('explanation') or 'nothing noted'}."),
        Line("Its rows were taken out of the tables; the entry is as it was entered. Learn again."),
    ]


def _suspect(suspect: Suspect, rotor: Rotor, history: History) -> Iterable[Block]:
    first = next(iter(suspect["explanations"][0]["entries"]), None)
    of_reading = first is not None and first["table"] == "readings"
    place = (
        f"readings of run {suspect['run']}"
        if of_reading
        else f"moves from run {suspect['after_run']} to run {suspect['run']}"
    )
    yield Heading(f"{suspect['job']}, {place}")
    listed = suspect["explanations"][:MOST_EXPLANATIONS]
    rows = [
        (
            str(n),
            str(told["text"]),
            right_in_words(told, rotor),
            percent(float(told["probability"])),
        )
        for n, told in enumerate(listed, start=1)
    ]
    entered = percent(1.0 - float(suspect["probability"]))
    yield table(
        [">No.", "What may be meant", "What is right then", ">Probability"],
        [*rows, ("", "as entered", "", entered)],
    )
    more = len(suspect["explanations"]) - len(listed)
    if more:
        yield Line(f"... and {more} more; --json lists them all.")
    made = reviews_on(history.reviews, suspect)
    for _, row in made.iterrows():
        yield Line(f"Review {row['review']} decided on this run: {row['decision']}. It is suspect "
                   "again.", "bad")  # fmt: skip


def right_in_words(
    told: Mapping[str, Any], rotor: Rotor, open_size: str = "give the size with --amount"
) -> str:
    """Return what would have been entered rightly, in a few words.

    told: an explanation; open_size: what to do about a move whose size is not known.
    """
    entries = told["entries"]
    if not entries:
        return "not known: exclude or keep"
    if len(entries) > MOST_ENTRIES:
        return f"{len(entries)} {entries[0]['table']} otherwise"
    return "; ".join(_entry(entry, rotor, open_size) for entry in entries)


def _entry(entry: Mapping[str, Any], rotor: Rotor, open_size: str) -> str:
    if entry["table"] == "readings":
        sensor = rotor.sensor(str(entry["sensor"]))
        value = complex(entry["real"], entry["imag"])
        read = amplitude_at_clock(value, sensor.phase, vibration_decimals(sensor.unit))
        return f"{sensor.name}, {entry['regime']} (run {entry['run']}): {' '.join(read.split())}"
    where = f"{entry['blade']} {entry['adjuster']}"
    if entry["amount"] is None:
        return f"{where}: {open_size}"
    return f"{where} {float(entry['amount']):+g}" if entry["amount"] else f"{where} none"


def _commands(suspects: Sequence[Suspect], command: str) -> tuple[str, ...]:
    first = suspects[0]
    place = f"{command} --job {quote(str(first['job']))} --run {quote(str(first['run']))}"
    ways = ["--exclude", "--keep"]
    for n, told in enumerate(first["explanations"], start=1):
        if why_not(told) is None:
            return tuple(f"{place} {way}" for way in [f"--accept {n}", *ways])
    sizes = [n for n, told in enumerate(first["explanations"], start=1) if told["entries"]]
    ways = [*(f"--accept {n} --amount X" for n in sizes[:1]), *ways]
    return tuple(f"{place} {way}" for way in ways)


def decisions_table(reviews: pd.DataFrame, history: History, rotor: Rotor) -> Table:
    """Return the decisions in force, each with what it changes, by whom and when."""
    rows = []
    for _, row in reviews.iterrows():
        changed = "; ".join(
            f"{where}: {was} {ARROW} {right}"
            for where, was, right in _changed(str(row["review"]), rotor, history)[:MOST_ENTRIES]
        )
        about = changed or str(row["explanation"])
        by = " ".join(filter(None, [str(row["by"]), _day(str(row["decided"]))]))
        note = f" ({row['note']})" if row["note"] else ""
        rows.append(
            (str(row["review"]), str(row["job"]), str(row["run"]), str(row["decision"]),
             about + note, by or "-")
        )  # fmt: skip
    return table([">Review", "Job", ">Run", "Decision", "About", "By, when"], rows)


def _meaning(row: pd.Series, history: History) -> str:
    readings = row["table"] == "readings"
    pair = f"the pair after run {row['after_run']}" if not readings else (
        f"the pairs that run {row['run']} is part of"
    )  # fmt: skip
    if row["decision"] == "keep":
        return f"Looked at and right as entered: {pair} will teach and not be listed again."
    if row["decision"] == "accept":
        return "The log is used as corrected:"
    if (history.corrections["review"] == row["review"]).any():
        return "These readings are not used; the rest of the run is:"
    return f"Nothing is learned from {pair}."


def _changes(number: str, rotor: Rotor, history: History) -> Iterable[Block]:
    rows = _changed(number, rotor, history)
    if rows:
        yield table(["Entry", ">As entered", ">Used as"], rows)


def _changed(number: str, rotor: Rotor, history: History) -> list[tuple[str, str, str]]:
    """Return each entry that a review changes: where, as entered, as used."""
    rows = history.corrections[history.corrections["review"] == number]
    changed = []
    for _, row in rows.iterrows():
        if row["table"] == "moves":
            unit = rotor.adjuster(row["adjuster"]).unit
            where = f"{row['blade']} {row['adjuster']} after run {row['run']} [{unit}]"
            was, right = (_amount(row[c]) for c in ("entered", "corrected"))
        else:
            sensor = rotor.sensor(row["sensor"])
            where = f"{sensor.name}, {row['regime']}, run {row['run']} [{sensor.unit}]"
            digits = vibration_decimals(sensor.unit)
            was, right = (
                amplitude_at_clock(row[c], sensor.phase, digits)
                if cmath.isfinite(row[c])
                else "not used"
                for c in ("entered", "corrected")
            )
        changed.append((where, was, right))
    return changed


def _amount(value: complex) -> str:
    return f"{value.real:+g}" if cmath.isfinite(value) and value != 0 else "none"


def _day(decided: str) -> str:
    return date_and_time(decided)[:10] if decided else ""
