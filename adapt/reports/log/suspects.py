"""Suspect entries: what may be meant, what each would change, and how to look at them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from shlex import quote
from typing import Any

from adapt.coefficients import Coefficients
from adapt.learning.new_pairs import MOVED_SINCE
from adapt.learning.suspects.slipped import Slip
from adapt.log import History
from adapt.reports.layout import Block, Bullets, Commands, Heading, Line, table
from adapt.reports.wording import count, number, percent

__all__ = ["concerns_of", "slip_in_words", "suspects_blocks", "would_change"]

MOST_SUSPECTS = 25
MOST_EXPLANATIONS = 3
_MOST_DOUBTS = 3  # that are told one by one


def suspects_blocks(learned: Coefficients, agreed: Sequence[Slip] = ()) -> Iterable[Block]:
    """Yield the suspect entries with their explanations; nothing when there are none.

    agreed: jobs whose suspect pairs agree on a turn of the reference.
    """
    if not learned.suspects:
        return
    shown = learned.suspects[:MOST_SUSPECTS]
    rows = []
    for suspect in shown:
        place = (str(suspect["job"]), str(suspect["after_run"]))
        for told in suspect["explanations"][:MOST_EXPLANATIONS]:
            rows.append((*place, str(told["text"]), percent(float(told["probability"]))))
            place = ("", "")
    yield Heading("Entries to look at again (nothing was changed)")
    yield table(["Job", "After run", "What may be meant", ">Probability"], rows)
    if agreed:
        yield Line("Some agree with each other:")
        yield Bullets(tuple(slip_in_words(slip) for slip in agreed))
    if len(shown) < len(learned.suspects):
        yield Line(f"... and {len(learned.suspects) - len(shown)} more; --json lists them all.")
    changes = [
        f"{suspect['job']} after run {suspect['after_run']}: {text}"
        for suspect in shown
        if (text := would_change(suspect))
    ]
    if changes:
        yield Line("They teach nothing until somebody has looked at them. What they would move:")
        yield Bullets(tuple(changes))
    yield Line("To look at them and to say what was meant:")
    yield Commands((_review_command(learned),))


def _review_command(learned: Coefficients) -> str:
    """Return the command that lists them; another chart could find others, in another order."""
    origin = learned.origin
    words = [origin.get("rotor_file") or "ROTOR", origin.get("log") or "LOG"]
    if learned.chart is not None:
        words += ["--chart", learned.chart.source or "CHART"]
    return " ".join(["adapt review", *(quote(str(word)) for word in words)])


def would_change(suspect: Mapping[str, Any]) -> str | None:
    """Return which coefficient a suspect pair would move most, as entered and as explained."""
    change = suspect.get("would_change") or {}
    entered, explained = change.get("as_entered"), change.get("as_explained")
    if not entered:
        return None
    text = f"as entered {_moved(entered)}"
    return text + (f"; as explained {_moved(explained)}" if explained else "") + "."


def _moved(change: Mapping[str, Any]) -> str:
    where = change.get("sensor") or "track"
    return (
        f"{change['adjuster']} on {where}, {change['regime']} by {number(change['sds'], 1)} of its "
        "sds"
    )


def slip_in_words(slip: Slip) -> str:
    """Return what several suspect pairs of a job agree on, and what to look at."""
    return (
        f"{slip.pairs} pairs of job {slip.job} on {slip.rotor} from run {slip.after_run} on read "
        "as if the phase reference had been turned by "
        f"{slip.angle_deg:+.0f} ± {slip.sd_deg:.0f} deg of shaft, or "
        "every move had been entered on the wrong blade in the same way. Look at the reference "
        "(pickup, tape, cable, its setting in the instrument) and at the blades' names before the "
        "next correction; if it was moved, log the event 'reference moved'."
    )


def concerns_of(
    coefficients: Coefficients,
    history: History,
    rotor: str,
    commands: tuple[str, str],
    agreed: Sequence[Slip] = (),
    job: str | None = None,
) -> list[str]:
    """Return what to know about a rotor's coefficients before moves planned with them are made.

    Entries of its jobs in this log that are held back as suspect, with their likeliest
    explanation, and what was given up because its reference or a sensor moved. rotor: its serial.
    commands: those that list the suspects, and that learn from the whole log. agreed: jobs whose
    suspect pairs agree on a turn of the reference. job: the one planned for, whose entries are told
    of where they are doubtful; None = they stand elsewhere.
    """
    runs = history.runs
    jobs = set(runs.loc[runs["rotor"].astype(str) == rotor, "job"].astype(str))
    told = [] if job is None else _doubtful(history, job)
    begun = len(told)
    told += [slip_in_words(slip) for slip in agreed]
    for suspect in coefficients.suspects:
        if str(suspect["job"]) not in jobs:
            continue
        first = suspect["explanations"][0]
        told.append(
            f"suspect entry in job {suspect['job']} from run {suspect['after_run']} on: "
            f"{first['text']} ({percent(float(first['probability']))}). Nothing was learned from "
            "it, and these moves rest on the rest of the log."
        )
    if len(told) > begun:
        told.append(f"To list and decide about such entries: {commands[0]}")
    moved = [note for note in coefficients.notes if note.startswith(f"{MOVED_SINCE} on {rotor} ")]
    return told + [f"{note}: {commands[1]}" for note in moved]


def _doubtful(history: History, job: str) -> list[str]:
    """Return what is doubtful in the entries of a job, or of the whole log; not all one by one."""
    doubts = [str(p) for p in history.doubts if p.job in (job, None)]
    told = [f"doubtful, and used as it stands: {doubt}" for doubt in doubts[:_MOST_DOUBTS]]
    if more := len(doubts) - len(told):
        told.append(f"and {count(more, 'more doubt')} about entries of this job")
    return told
