"""Results as documents for scripts, ready for JSON: the check, what was learned, what went wrong.

Keys that stand in the interface are kept; more may stand beside them. The documents of the plan,
of the learner and of the comparison live elsewhere; summaries for people are put beside them here.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from adapt.coefficients import Coefficients, learned_document
from adapt.coefficients.summary import rotors_summary_of, summary_of, track_summary_of
from adapt.learning.suspects.slipped import Slip
from adapt.log import History
from adapt.problems import Problem
from adapt.reports.learning.learned import require_rotor
from adapt.reports.learning.teaching import next_steps, worst_known
from adapt.rotor import Rotor

__all__ = [
    "as_json",
    "check_document",
    "learn_document",
    "plain",
    "problems_document",
]


def as_json(document: Mapping[str, Any]) -> str:
    """Return a document as JSON text in ASCII; what is not a finite number becomes null."""
    return json.dumps(plain(document), indent=2, allow_nan=False)


def plain(value: Any) -> Any:
    """Return a value as what JSON knows; NaN and infinities as None.

    >>> import numpy
    >>> plain({"a": (numpy.float64("nan"), numpy.int64(3))})
    {'a': [None, 3]}
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if hasattr(value, "isoformat"):
        return None if value != value else str(value.isoformat())
    raise TypeError(f"{type(value).__name__} has no place in a document")


def learn_document(
    learned: Coefficients,
    rotor: Rotor,
    serial: str | None = None,
    agreed: Sequence[Slip] = (),
) -> dict[str, Any]:
    """Return the document of `learn` with summaries beside it.

    agreed: jobs whose suspect pairs agree on a turn of the reference, rows of "turned".

    serial: a rotor whose summary, track_summary and teaching are wanted; without it, teaching is
    that of the fleet. summary_of_rotors: one row for each rotor, columns as in `rotors_summary_of`.
    teaching: poorly_known as `worst_known`, next_moves as `TeachingStep`; what nothing informs has
    ratio, doubt and removed null. Raises BadInput for a serial that nothing was learned of.
    """
    if serial is not None:
        require_rotor(learned, serial)
    rows: dict[str, Any] = {
        "turned": [asdict(slip) for slip in agreed],
        "summary_of_rotors": rotors_summary_of(learned, rotor).to_dict("records"),
        "teaching": {
            "rotor": serial,
            "poorly_known": worst_known(learned, rotor, serial).to_dict("records"),
            "next_moves": [
                {
                    "rotor": name,
                    "moves": [asdict(move) for move in step.moves],
                    "doubt_before": step.before,
                    "doubt_after": step.after,
                    "removed": step.removed,
                }
                for name, step in next_steps(learned, rotor, serial)
            ],
        },
    }
    if serial is not None:
        rows["summary"] = summary_of(learned, rotor, only=(serial,)).to_dict("records")
        rows["track_summary"] = track_summary_of(learned, rotor, only=(serial,)).to_dict("records")
    return {**learned_document(learned), **rows}


def check_document(history: History) -> dict[str, Any]:
    """Return what a check found, and how much of the log can be used."""
    return {
        "log": history.source,
        "rotors": int(history.runs["rotor"].nunique()),
        "jobs": int(history.runs["job"].nunique()),
        "runs": len(history.runs),
        "readings": len(history.readings),
        "excluded": len(history.excluded),
        "reviews": [
            {str(name): str(cell) for name, cell in row.items()}
            for row in history.reviews.to_dict("records")
        ],
        "set_aside": dict(history.set_aside),
        "faults": [asdict(p) for p in history.faults],
        "doubts": [asdict(p) for p in history.doubts],
    }


def problems_document(message: str, problems: tuple[Problem, ...] = ()) -> dict[str, Any]:
    """Return what stands on standard output in place of an answer."""
    return {"error": message, "problems": [asdict(p) for p in problems]}
