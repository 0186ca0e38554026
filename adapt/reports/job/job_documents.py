"""The report of a job as a document for scripts, ready for JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from adapt.reports.job.values import JobRecord, spread_of
from adapt.reports.planning.plan_documents import plan_document
from adapt.reports.records import reading_record, records

__all__ = ["job_document"]


def job_document(record: JobRecord) -> dict[str, Any]:
    """Return the job: readings and track of every run, moves, what was foretold, the plan."""
    return {
        "rotor": record.serial,
        "design": record.rotor.name,
        "job": record.job,
        "data": record.data,
        "limits": record.limit_set,
        "status": None if record.status is None else asdict(record.status),
        "runs": [_run(record, run) for run in record.runs],
        "foretold": _foretold(record),
        "plan": None
        if record.plan is None
        else plan_document(record.plan, record.rotor, record.coefficients_from, record.concerns),
        "why_no_plan": record.why_no_plan,
    }


def _run(record: JobRecord, run: dict[str, Any]) -> dict[str, Any]:
    name, rotor = str(run["run"]), record.rotor
    return {
        "run": name,
        "started": run["started"],
        "readings": [
            {
                "sensor": sensor, "regime": regime, "limit": record.limit(sensor, regime),
                **reading_record(value, rotor.sensor(sensor).phase),
            }
            for (sensor, regime), value in record.readings(name).items()
        ],
        "track": [
            {
                "regime": regime, "spread": spread_of(heights), "limit": record.limit(None, regime),
                "heights": heights,
            }
            for regime, heights in record.heights(name).items()
        ],
        "over": [
            {**({"sensor": s} if s is not None else {"track": True}), "regime": r, "ratio": ratio}
            for s, r, ratio in record.over(name)
        ],
        "moves": [
            {key: move[key] for key in ("blade", "adjuster", "amount")}
            for move in record.moves(name)
        ],
    }  # fmt: skip


def _foretold(record: JobRecord) -> dict[str, Any] | None:
    if record.outcome is None:
        return None
    rotor = record.rotor
    rows = []
    for row in records(record.outcome.predictions):
        told = {k: row[k] for k in ("run", "method", "sensor", "regime", "error", "inside_95")}
        if row["sensor"] is not None:
            phase = rotor.sensor(row["sensor"]).phase
            told |= {key: reading_record(row[key], phase) for key in ("predicted", "read")}
        rows.append(told)
    keys = ("run", "chance", "came_inside")
    return {
        "pairs": record.outcome.pairs,
        "runs": [{k: row[k] for k in keys} for row in records(record.outcome.whole_runs)],
        "readings": rows,
    }
