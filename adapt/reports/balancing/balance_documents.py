"""A balance by the vector method as a document for scripts, ready for JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from adapt.balancing.trial.conditioning import Conditioning
from adapt.balancing.trial.correction import Correction
from adapt.balancing.trial.vectors import Balance
from adapt.reports import cautions
from adapt.reports.balancing.balance import OWN_RUNS, combination_in_words, what_to_do_about
from adapt.reports.planning.plan_documents import plan_document
from adapt.reports.records import reading_record
from adapt.rotor import Rotor

__all__ = ["balance_document"]


def balance_document(found: Balance, rotor: Rotor) -> dict[str, Any]:
    """Return a balance as a document: phases in each sensor's own convention, sds per component.

    Angles of weights count in passing order from the first blade [deg].
    """
    return {
        "rotor": found.rotor,
        "design": rotor.name,
        "job": found.job,
        "after_run": found.after_run,
        "planes": list(found.planes),
        "usable": found.usable,
        "effects": [
            {
                "plane": e.plane,
                "sensor": e.sensor,
                "regime": e.regime,
                **reading_record(e.value, rotor.sensor(e.sensor).phase),
                "real": None if e.value is None else e.value.real,
                "imag": None if e.value is None else e.value.imag,
                "sd": e.sd,
                "low": e.low,
                "high": e.high,
                "pairs": e.pairs,
            }
            for e in found.effects
        ],
        "conditioning": _conditioning(found.correction.conditioning),
        "advice": list(what_to_do_about(found.correction.conditioning)),
        "correction": _correction_document(found.correction, rotor),
        "well_known": (
            None if found.well_known is None else _correction_document(found.well_known, rotor)
        ),
        "plan": None if found.plan is None else plan_document(found.plan, rotor, OWN_RUNS),
        "why_no_plan": found.why_no_plan,
        "last_run": {
            "run": found.last_run.run,
            "tested": found.last_run.tested,
            "fits": found.last_run.fits if found.last_run.tested else None,
            "chance": found.last_run.chance if found.last_run.tested else None,
            "sensor": found.last_run.sensor or None,
            "regime": found.last_run.regime or None,
            "off": found.last_run.off if found.last_run.tested else None,
        },
        "notes": list(found.notes),
        "cautions": list(cautions.SHORT),
    }


def _conditioning(seen: Conditioning) -> dict[str, Any]:
    return {
        "condition": seen.condition,
        "poor": seen.is_poor,
        "without_effect": list(seen.without_effect),
        "directions": [
            {
                "combination": combination_in_words(d, seen.planes),
                "parts": [
                    {"plane": plane, "real": part.real, "imag": part.imag}
                    for plane, part in zip(seen.planes, d.parts, strict=True)
                ],
                "gain": d.gain,
                "certainty": d.certainty,
                "known": d.known,
            }
            for d in seen.directions
        ],
    }


def _correction_document(correction: Correction, rotor: Rotor) -> dict[str, Any]:
    return {
        "only_known": correction.only_known,
        "poorly_known": correction.poorly_known or None,
        "weights": [
            {
                "plane": plane,
                "amount": float(abs(weight)),
                "unit": rotor.adjuster(plane).unit,
                "angle_deg": float(np.rad2deg(np.angle(weight)) % 360.0),
                "sd": float(sd),
            }
            for plane, weight, sd in zip(
                correction.planes, correction.weights, correction.sd, strict=True
            )
        ],
        "remaining": [
            {
                "sensor": r.sensor,
                "regime": r.regime,
                "before": reading_record(r.before, rotor.sensor(r.sensor).phase),
                "after": reading_record(r.after, rotor.sensor(r.sensor).phase),
                "sd": r.sd,
                "low": r.low,
                "high": r.high,
                "limit": r.limit,
                "used": r.used,
            }
            for r in correction.remaining
        ],
    }  # fmt: skip
