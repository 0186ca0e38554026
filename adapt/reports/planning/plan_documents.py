"""A plan as a document for scripts, ready for JSON.

Keys that stand in the interface are kept; more may stand beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from adapt.planning.plan import ByHand, ChannelKey, Move, NextStage, Plan
from adapt.reports.cautions import checks_for, unusually_much
from adapt.reports.records import reading_record
from adapt.rotor import Rotor

__all__ = ["plan_document"]


def plan_document(
    plan: Plan, rotor: Rotor, coefficients_from: str, concerns: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the plan: readings as amplitude and phase in each sensor's own convention.

    concerns: what to know about the coefficients before the moves are made.
    """
    return {
        "rotor": plan.rotor,
        "design": plan.design,
        "job": plan.job,
        "after_run": plan.after_run,
        "conditions": dict(plan.conditions),
        "coefficients_from": coefficients_from,
        "concerns": list(concerns),
        "aim": plan.aim,
        "limits": plan.limit_set,
        "chance_asked": plan.chance_asked,
        "most_moves": plan.most_moves,
        "most_minutes": plan.most_minutes,
        "run_minutes": plan.run_minutes,
        "track_alone": plan.track_alone,
        "hedged": plan.hedged,
        "feasible": plan.feasible,
        "stopped_by": [_channel(key) for key in plan.stopped_by],
        "not_constrained": [_channel(key) for key in plan.not_constrained],
        "worst_ratio": plan.worst_ratio,
        "weighted_ratio": plan.weighted_ratio,
        "penalty": plan.penalty,
        "lower_bound": plan.lower_bound,
        "second_bound": plan.second_bound,
        "proven": plan.proven,
        "chance": plan.chance,
        "joint_chance": plan.joint_chance,
        "minutes": plan.minutes,
        "expected_minutes": plan.expected_minutes,
        "moves": [_move(m, rotor) for m in plan.moves],
        **_forecasts(plan, rotor),
        "tradeoff": [
            {
                "moves": t.moves,
                "worst_ratio": t.worst_ratio,
                "chance": t.chance,
                "proven": t.proven,
                "plan": [_move(m, rotor) for m in t.plan],
            }
            for t in plan.tradeoff
        ],
        "alternatives": [
            {
                "worst_ratio": a.worst_ratio,
                "chance": a.chance,
                "minutes": a.minutes,
                "moves": [_move(m, rotor) for m in a.moves],
            }
            for a in plan.alternatives
        ],
        "by_hand": None if plan.by_hand is None else _by_hand(plan.by_hand, rotor),
        "chances": None if plan.chances is None else asdict(plan.chances),
        "relaxations": [asdict(r) for r in plan.relaxations],
        "next_stage": None if plan.next_stage is None else _next_stage(plan.next_stage, rotor),
        "lessons": [asdict(lesson) for lesson in plan.lessons],
        "savings": [
            {"saved": s.saved, "moves": [_move(m, rotor) for m in s.moves]} for s in plan.savings
        ],
        "notes": list(plan.notes),
        "inspect_first": list(unusually_much(plan, rotor)),
        "checks": list(checks_for(plan.moves, rotor)),
        "seconds": plan.seconds,
    }


def _forecasts(of: Plan | ByHand, rotor: Rotor) -> dict[str, Any]:
    """Return the readings and the track of a plan or of moves chosen by hand."""
    return {
        "readings": [
            {
                "sensor": r.sensor,
                "regime": r.regime,
                "unit": rotor.sensor(r.sensor).unit,
                "read_in": r.read_in,
                "before": _reading(r.before, rotor, r.sensor),
                "after": _reading(r.after, rotor, r.sensor),
                "change": _reading(r.change, rotor, r.sensor),
                "sd": r.sd,
                "limit": r.limit,
                "ratio": r.ratio,
                "chance": r.chance,
            }
            for r in of.readings
        ],
        "track": [{**asdict(t), "unit": rotor.track_unit} for t in of.track],
    }


def _reading(value: complex | None, rotor: Rotor, sensor: str) -> dict[str, float | None]:
    return reading_record(value, rotor.sensor(sensor).phase)


def _by_hand(held: ByHand, rotor: Rotor) -> dict[str, Any]:
    return {
        "moves": [_move(m, rotor) for m in held.moves],
        "inside": held.inside,
        "worst_ratio": held.worst_ratio,
        "chance": held.chance,
        "joint_chance": held.joint_chance,
        "minutes": held.minutes,
        "breaks": list(held.breaks),
        "unknown": [_channel(key) for key in held.unknown],
        **_forecasts(held, rotor),
    }


def _next_stage(stage: NextStage, rotor: Rotor) -> dict[str, Any]:
    return {
        "moves": [_move(m, rotor) for m in stage.moves],
        "chance": None if stage.why else stage.chance,
        "why": stage.why,
        "counts": [{"moves": m if m >= 0 else None, "runs": n} for m, n in stage.counts.items()],
    }


def _move(move: Move, rotor: Rotor) -> dict[str, Any]:
    adjuster = rotor.adjuster(move.adjuster)
    return {
        "blade": move.blade,
        "adjuster": move.adjuster,
        "amount": move.amount,
        "unit": adjuster.unit,
        "positive": adjuster.positive,
    }


def _channel(key: ChannelKey) -> dict[str, Any]:
    if key.sensor is None:
        return {"track": True, "regime": key.regime}
    return {"sensor": key.sensor, "regime": key.regime}
