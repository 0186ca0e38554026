"""What a check of a log found, file by file, as a person who has to mend it reads it.

Built from a `History`; the checks themselves live in `log`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapt.coefficients.reviewed import review_notes
from adapt.log import History
from adapt.problems import Problem
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.wording import count, joined

__all__ = ["check_report", "problem_blocks"]

MOST_SHOWN = 25


def check_report(history: History) -> list[Block]:
    """Return faults by file, then doubts, then what that leaves to work with."""
    report: list[Block] = [Heading(f"Check of {history.source or 'the log'}", level=1)]
    if history.faults:
        report.append(Line("Faults: not understood; the jobs they stand in are set aside.", "bad"))
        report += problem_blocks(history.faults)
    if history.doubts:
        report.append(Line("Doubts: unlikely or against the hardware; shown, and used."))
        report += problem_blocks(history.doubts)
    report.append(Line(_summary(history), "bad" if history.faults else "good"))
    if history.set_aside:
        names = joined([f"{job} ({count(n, 'fault')})" for job, n in history.set_aside.items()])
        report.append(Line(f"Set aside: {names}."))
    if len(history.excluded):
        what = count(len(history.excluded), "row")
        report.append(Line(f"{what} of readings and track are marked as excluded."))
    report += [Line(note[:1].upper() + note[1:] + ".") for note in review_notes(history)]
    return report


def problem_blocks(problems: Sequence[Problem], most: int = MOST_SHOWN) -> Iterable[Block]:
    """Yield a heading and a table for each file; no more than `most` rows a file."""
    for file in dict.fromkeys(p.file for p in problems):
        of_file = [p for p in problems if p.file == file]
        yield Heading(f"{file}: {count(len(of_file), of_file[0].severity)}")
        place = ">Line" if file.lower().endswith(".toml") else ">Row"
        yield table(
            [place, "Column", "Found", "Expected", "Job"],
            [
                (
                    "-" if p.row is None else str(p.row),
                    p.column or "-",
                    p.found,
                    p.expected,
                    p.job or "-",
                )
                for p in of_file[:most]
            ],
        )
        if len(of_file) > most:
            yield Line(f"... and {len(of_file) - most} more; --json lists them all.")


def _summary(history: History) -> str:
    jobs = count(history.runs["job"].nunique(), "job")
    rotors = count(history.runs["rotor"].nunique(), "rotor")
    return (
        f"{count(len(history.faults), 'fault')} and {count(len(history.doubts), 'doubt')}. "
        f"Ready to use: {jobs} of {rotors}, {count(len(history.runs), 'run')}, "
        f"{count(len(history.readings), 'reading')}."
    )
