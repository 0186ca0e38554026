"""Moves of one's own, judged without a search: what they are expected to do from where a job is."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from adapt.coefficients import Coefficients, require_design
from adapt.coefficients.reviewed import require_reviews
from adapt.log import History, Log, check
from adapt.planning.answer.by_hand import by_hand
from adapt.planning.asked import asked_for
from adapt.planning.case import case_of
from adapt.planning.job.hardware import fitted_now
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import ByHand, Move
from adapt.rotor import Rotor

__all__ = ["judge"]


def judge(
    rotor: Rotor,
    coefficients: Coefficients,
    log: Log | History | str,
    job: str,
    moves: Iterable[Move | Sequence[object]],
    limits: str | None = None,
    locked_blades: Collection[str] = (),
    locked_adjusters: Collection[str] = (),
    largest_moves: Mapping[str, float] | None = None,
) -> ByHand:
    """Return what moves that a person chose are expected to do, and which bounds they break.

    moves: (blade, adjuster, amount) each; none at all asks what happens if nothing is moved. The
    others, and what is raised: as in `plan`.
    """
    require_design(coefficients, rotor)
    history = log if isinstance(log, History) else check(rotor, log)
    require_reviews(coefficients, history)
    asked = asked_for(
        rotor, aim="smoothest", limits=limits, locked_blades=locked_blades,
        locked_adjusters=locked_adjusters, largest_moves=largest_moves, by_hand=moves,
    )  # fmt: skip
    standing = standing_of(rotor, coefficients, history, job)
    case = case_of(rotor, coefficients, standing, fitted_now(rotor, history, job), asked)
    return by_hand(case, asked.by_hand)
