"""The report of a job, for paper and for the file: everything in the order in which it is read."""

from __future__ import annotations

from collections.abc import Iterable

from adapt import __version__
from adapt.planning.plan import Plan
from adapt.reports import cautions
from adapt.reports.job.foretold import foretold
from adapt.reports.job.read import (
    moves_made,
    readings_read,
    runs_flown,
    standing,
    track_read,
)
from adapt.reports.job.values import JobRecord
from adapt.reports.layout import Block, Bullets, Heading, Line, ToSign
from adapt.reports.planning.pictured import plan_pictures
from adapt.reports.planning.planned import checks, moves, readings_table, verdict
from adapt.reports.wording import chance_in_words, date_and_time, percent

__all__ = ["foot_of", "job_report", "title_of"]

_TO_SIGN = (
    "Work done as recorded: name and licence", "Date and signature",
    "Independent inspection: name and licence", "Date and signature",
    "Released: name and licence", "Date and signature",
)  # fmt: skip


def title_of(record: JobRecord) -> str:
    """Return which rotor and job the report is of."""
    design = record.rotor.name
    aircraft = next((r["aircraft"] for r in reversed(record.runs) if r["aircraft"]), None)
    on = f" on {aircraft}" if aircraft and str(aircraft) != record.serial else ""
    return f"{design[:1].upper()}{design[1:]} {record.serial}{on}, job {record.job}"


def foot_of(record: JobRecord) -> str:
    """Return what stands at the foot of every page: what this is, and of which data."""
    return (
        f"{title_of(record)}; {record.data}; adapt {__version__}. Advice from past readings, not "
        "an approval"
    )


def job_report(record: JobRecord) -> list[Block]:
    """Return the report of a job."""
    report: list[Block] = [Heading(title_of(record), level=1), *_opening(record)]
    report += standing(record)
    report += runs_flown(record)
    report += readings_read(record)
    report += track_read(record)
    report += moves_made(record)
    report += foretold(record)
    report += _next(record)
    report += [Heading("Cautions"), Bullets(cautions.WHOLE)]
    report += [
        Heading("To be signed by licensed people"),
        Line(
            "This page releases nothing. The limits of the maintenance manual in force, and the "
            "checks that it asks for, come before everything that stands here."
        ),
        ToSign(_TO_SIGN),
    ]
    return report


def _opening(record: JobRecord) -> Iterable[Block]:
    first, last = record.runs[0], record.runs[-1]
    yield Line(
        f"From {date_and_time(first['started'])} to {date_and_time(last['started'])}. "
        f"{record.data[:1].upper()}{record.data[1:]}."
    )
    if record.limit_set is not None:
        yield Line(f"Limits: the set '{record.limit_set}'.")
    status = record.status
    if status is not None:
        said = f"Status: {status.status}"
        if status.status == "closed":
            said += f" with run {status.closing_run}, released by {status.released_by}"
        yield Line(f"{said}{f' ({status.note})' if status.note else ''}.")


def _next(record: JobRecord) -> Iterable[Block]:
    """Yield the plan for the next run, or why there is none."""
    plan, rotor = record.plan, record.rotor
    yield Heading("The next correction")
    if plan is None:
        yield Line(record.why_no_plan)
        return
    last = record.run_names[-1]
    if plan.after_run == last and not record.over(last) and not record.limited_and_unread(last):
        yield Line(_not_needed(plan))
        return
    yield Line(f"Planned from run {plan.after_run}. Coefficients: {record.coefficients_from}.")
    if record.concerns:
        yield Bullets(record.concerns, tone="bad")
    yield from verdict(plan)
    if not plan.moves and plan.feasible:
        return
    yield from moves(plan, rotor)
    yield readings_table(plan, rotor)
    yield from plan_pictures(plan, rotor)
    if plan.notes:
        yield Heading("What this plan rests on")
        yield Bullets(plan.notes)
    yield from checks(plan, rotor)


def _not_needed(plan: Plan) -> str:
    said = f"None is needed: run {plan.after_run} is inside every limit."
    if not plan.tradeoff or plan.tradeoff[0].moves:
        return said
    again = plan.tradeoff[0].chance
    return (
        f"{said} Another run without a move would be inside in {chance_in_words(again)} cases "
        f"({percent(again)})."
    )
