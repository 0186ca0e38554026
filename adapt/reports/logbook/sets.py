"""Published sets: listed, one with the pairs that taught it, and one learned again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapt.coefficients import Coefficients
from adapt.coefficients.differing import Difference
from adapt.logbook.recomputing import TOLERANCE, Recomputed
from adapt.logbook.sets import PublishedSet
from adapt.problems import shown
from adapt.reports.layout import Block, Bullets, Commands, Heading, Line, Tone, table
from adapt.reports.wording import count, joined

__all__ = [
    "published_report", "recomputed_document", "recomputed_report", "set_document",
    "set_line_document", "set_report", "sets_document", "sets_report", "withdrawn_report",
]  # fmt: skip

MOST_PAIRS = 40
MOST_DIFFERENCES = 25
CALLED = {"adapt": "this program", "python": "Python"}


def sets_document(found: Sequence[PublishedSet]) -> dict[str, Any]:
    """Return the document of all sets, oldest first."""
    return {"sets": [set_line_document(one) for one in found]}


def sets_report(found: Sequence[PublishedSet], book: str) -> list[Block]:
    """Return one line for each set."""
    report: list[Block] = [Heading(f"Published sets of {book}", level=1)]
    if not found:
        return [*report, Line("None.")]
    rows = [
        (
            _cell(one.label),
            _cell(one.design),
            one.recorded[:10],
            _cell(one.who),
            str(one.known),
            _cell(one.chart_file),
            "WITHDRAWN" if one.withdrawn else "in use",
            _cell(one.note),
        )
        for one in found
    ]
    titles = ["Name", "Design", "Published", "By", ">After change", "Chart", "Status", "Note"]
    tones: list[Tone] = ["bad" if one.withdrawn else "plain" for one in found]
    gone = [block for one in found for block in _withdrawn(one)]
    return [*report, table(titles, rows, tones), *gone]


def set_line_document(one: PublishedSet) -> dict[str, Any]:
    """Return the document of a set without its numbers."""
    gone = one.withdrawn
    return {
        "name": one.label,
        "design": one.design,
        "change": one.change,
        "recorded": one.recorded,
        "who": one.who,
        "note": one.note or None,
        "learned_from_change": one.known,
        "rotor_file": {"document": one.rotor, "file": one.rotor_file},
        "chart": None if one.chart is None else {"document": one.chart, "file": one.chart_file},
        "settings": dict(one.settings),
        "programs": dict(one.programs),
        "bytes": one.size,
        "digest": one.digest,
        "withdrawn": None
        if gone is None
        else {"why": gone.why, "who": gone.who, "recorded": gone.recorded, "change": gone.change},
    }


def set_document(one: PublishedSet, stored: Coefficients) -> dict[str, Any]:
    """Return the document of a set with the pairs that taught it and those held back."""
    return {
        **set_line_document(one),
        "pairs": [{"job": j, "after_run": r} for j, r in sorted(stored.taught)],
        "held_back": [{"job": j, "after_run": r} for j, r in sorted(stored.withheld)],
        "rotors": sorted(stored.rotors),
        "notes": list(stored.notes),
    }


def set_report(
    one: PublishedSet, stored: Coefficients, most_pairs: int = MOST_PAIRS
) -> list[Block]:
    """Return one set: what made it, and the pairs that taught it, so many of them."""
    chart = f"chart {_cell(one.chart_file)} (document {one.chart})" if one.chart else "no chart"
    robust = ", rough runs and gusts counting less," if one.settings.get("robust") else ""
    report: list[Block] = [
        Heading(f"Set {_cell(one.label)} of {_cell(one.design)}", level=1),
        *_withdrawn(one),
        Bullets(
            (
                f"Published {_day(one.recorded)} (UTC) by {_cell(one.who)}, as change {one.change}"
                + (f": {_cell(one.note)}." if one.note else "."),
                f"Learned from the state after change {one.known}{robust} by rotor file "
                f"{_cell(one.rotor_file)} (document {one.rotor}) and {chart}.",
                "Made by "
                + joined([f"{CALLED.get(n, n)} {v}" for n, v in one.programs.items()])
                + ".",
                f"{one.size} bytes, digest (BLAKE2b) {one.digest}.",
            )
        ),
        Heading(f"The {count(len(stored.taught), 'pair')} that taught it"),
        _pairs(sorted(stored.taught), most_pairs),
    ]
    if stored.withheld:
        report += [
            Heading(f"Held back as suspect entries: {count(len(stored.withheld), 'pair')}"),
            _pairs(sorted(stored.withheld), most_pairs),
        ]
    if stored.notes:
        report += [Heading("Notes"), Bullets(tuple(f"{note}." for note in stored.notes))]
    return report


def published_report(
    one: PublishedSet, stored: Coefficients, plan: str, review: str
) -> list[Block]:
    """Return what was published, and the commands that use it and that list suspect entries."""
    chart = f"starting from {_cell(one.chart_file)}" if one.chart else "without a chart"
    report: list[Block] = [
        Line(
            f"Published: {_cell(one.label)}, coefficients of {_cell(one.design)}, as change "
            f"{one.change}. Learned from {count(len(stored.taught), 'pair')} of "
            f"{count(len(stored.rotors), 'rotor')} in the state after change {one.known}, {chart}."
        )
    ]
    if stored.withheld:
        report += [
            Line(
                f"{count(len(stored.withheld), 'pair')} taught nothing: entries that are probably "
                "wrong. The set stays without them; decide about them, then publish another:",
                "bad",
            ),
            Commands((review,)),
        ]
    if stored.health:
        rotors = dict.fromkeys(_cell(str(row.get("rotor") or "")) for row in stored.health)
        report.append(
            Line(
                f"Inspect before balancing: {joined(list(rotors))} no longer answer as they did.",
                "bad",
            )
        )
    return [*report, Heading("To plan with it"), Commands((plan,))]


def withdrawn_report(one: PublishedSet) -> list[Block]:
    """Return that a set was withdrawn."""
    return [
        *_withdrawn(one),
        Line("Its bytes and its name stay as they are; plans refuse it from now on."),
    ]


def recomputed_document(found: Recomputed) -> dict[str, Any]:
    """Return the document of a set learned again."""
    compared = found.compared
    return {
        "name": found.published.label,
        "agrees": compared.agrees,
        "tolerance": TOLERANCE,
        "largest_relative_difference": _finite(compared.largest),
        "numbers": compared.numbers,
        "differing": compared.differing_count,
        "differences": [
            {
                "where": one.where,
                "stored": [_finite(one.stored.real), _finite(one.stored.imag)],
                "now": [_finite(one.now.real), _finite(one.now.imag)],
                "relative": _finite(one.relative),
            }
            for one in compared.differing
        ],
        "other": list(compared.other),
        "programs": [
            {"name": name, "then": then, "now": now} for name, then, now in found.programs
        ],
    }


def recomputed_report(found: Recomputed) -> list[Block]:
    """Return whether a set learned again is the same, and every number that is not."""
    compared, label = found.compared, _cell(found.published.label)
    report: list[Block] = [Heading(f"Set {label} learned again", level=1)]
    if compared.agrees:
        report.append(
            Line(
                f"It agrees: of {compared.numbers} numbers none differs by more than "
                f"{TOLERANCE:g} of itself; the largest difference is {compared.largest:.2g}.",
                "good",
            )
        )
    else:
        report.append(
            Line(
                f"It does NOT agree: of {compared.numbers} numbers {compared.differing_count} "
                f"differ by more than {TOLERANCE:g} of themselves; the largest difference is "
                f"{compared.largest:.2g}.",
                "bad",
            )
        )
    if compared.differing:
        told = compared.differing[:MOST_DIFFERENCES]
        report.append(
            table(
                ["Number", ">Stored", ">Now", ">Relative"],
                [(d.where, _value(d, d.stored), _value(d, d.now), f"{d.relative:.2g}")
                 for d in told],
            )
        )  # fmt: skip
        if compared.differing_count > len(told):
            report.append(Line(f"... and {compared.differing_count - len(told)} more; --json lists "
                               "the first thousand."))  # fmt: skip
    if compared.other:
        report += [
            Heading("What else differs"),
            Bullets(tuple(_line(text) for text in compared.other[:MOST_DIFFERENCES])),
        ]
    if found.programs:
        report += [
            Heading("Of another version since the set was published"),
            table(
                ["What", "Then", "Now"], [(CALLED.get(n, n), a, b) for n, a, b in found.programs]
            ),
        ]
    return report


def _pairs(pairs: Sequence[tuple[str, str]], most: int) -> Block:
    """Return pairs job by job."""
    by_job: dict[str, list[str]] = {}
    for job, run in pairs[:most]:
        by_job.setdefault(job, []).append(run)
    rows = [(_cell(job), ", ".join(_cell(run) for run in runs)) for job, runs in by_job.items()]
    if len(pairs) > most:
        rows.append((f"... and {len(pairs) - most} more", "--json lists them all"))
    return table(["Job", "After run"], rows)


def _withdrawn(one: PublishedSet) -> list[Block]:
    gone = one.withdrawn
    if gone is None:
        return []
    return [
        Line(
            f"The set {_cell(one.label)} is WITHDRAWN and not to be used: {_line(gone.why)} "
            f"({_cell(gone.who)}, {_day(gone.recorded)} UTC, change {gone.change}).",
            "bad",
        )
    ]


def _value(difference: Difference, value: complex) -> str:
    if difference.stored.imag == 0.0 and difference.now.imag == 0.0:
        return f"{value.real:.12g}"
    return f"{value.real:.12g}{value.imag:+.12g}i"


def _finite(value: float) -> float | None:
    return value if abs(value) < float("inf") else None


def _day(recorded: str) -> str:
    return recorded[:16].replace("T", " ")


def _line(text: str) -> str:
    """Return a text of any length as a line of a report."""
    return "".join(c if c.isprintable() else " " for c in text)


def _cell(text: str) -> str:
    return shown(text)[1:-1] if text else "-"
