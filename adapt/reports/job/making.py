"""Bringing together what the report of a job shows: a look back, and a plan where one is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import adapt
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.log.jobs import runs_of_job
from adapt.logbook.ordering import Order
from adapt.outcomes.one_job import look_back
from adapt.planning.asked import Asked
from adapt.planning.job.scope import Scope
from adapt.planning.plan import Plan
from adapt.problems import AdaptError, BadInput
from adapt.reports.job.values import JobRecord, Status
from adapt.rotor import Rotor

__all__ = ["job_record"]


def job_record(
    rotor: Rotor,
    history: History,
    job: str,
    coefficients: Coefficients,
    coefficients_from: str,
    *,
    chance: float = 0.9,
    limits: str | None = None,
    status: Status | None = None,
    data: str,
    concerns: Sequence[str] = (),
    ordered: Mapping[str, Order] | None = None,
) -> JobRecord:
    """Return a job with what was foretold of its runs, and the plan for the next.

    A job that is closed or stopped gets no plan. data: what the log was read from, and as of when,
    in words. Raises BadInput where the job is not in the log, or set aside, or where the request
    cannot be used.
    """
    if wrong := Asked(chance=chance, scope=Scope(limit_set=limits)).wrong(rotor):
        raise BadInput("; ".join(wrong))
    runs_of_job(history, job)
    outcome = look_back(rotor, history, job, coefficients.chart, limits)
    plan: Plan | None = None
    why_not = ""
    if status is not None and status.status != "open":
        why_not = f"None: the job is {status.status}."
    else:
        try:
            plan = adapt.plan(rotor, coefficients, history, job, chance=chance, limits=limits)
        except AdaptError as error:
            why_not = f"None can be given: {error}."
    return JobRecord(
        rotor=rotor,
        history=history,
        job=job,
        outcome=outcome,
        plan=plan,
        why_no_plan=why_not,
        coefficients_from=coefficients_from,
        status=status,
        data=data,
        limit_set=limits,
        concerns=tuple(concerns) if plan is not None else (),
        ordered=ordered or {},
    )
