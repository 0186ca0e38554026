"""One job ready to be planned: where it stands, what can be moved, and everything with a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.planning.asked import Asked, require_hardware
from adapt.planning.job.hardware import Fitted, Hardware, hardware_on
from adapt.planning.job.held import tonight
from adapt.planning.job.known import leave_out_unknown
from adapt.planning.job.scope import Scope
from adapt.planning.job.standing import Standing
from adapt.planning.plan import ChannelKey
from adapt.planning.problem.building import build_problem
from adapt.planning.problem.values import Problem
from adapt.planning.rules.reading import OwnRules, Rule, read_rules
from adapt.rotor import Rotor

__all__ = ["Case", "case_of"]


@dataclass(frozen=True, eq=False)
class Case:
    """What one search needs. bounds: the rotor with the bounds that hold tonight.

    rule: the user's own, rules: what it comes to beside the bounds of the hardware. notes: on the
    hardware, and what was left out. never_read: limited, but never read in the job.
    """

    rotor: Rotor
    coefficients: Coefficients
    standing: Standing
    fitted: Fitted
    bounds: Rotor
    scope: Scope
    hedge: bool
    rule: Rule | None
    hardware: Hardware
    rules: OwnRules | None
    problem: Problem
    never_read: tuple[ChannelKey, ...]
    notes: tuple[str, ...]

    def within(self, bounds: Rotor) -> Case:
        """Return the case with other bounds of the hardware."""
        return self._with(self.standing, self.fitted, bounds, self.scope)

    def standing_at(self, standing: Standing, fitted: Fitted, scope: Scope) -> Case:
        """Return the case where the job stands elsewhere, with the same bounds."""
        return self._with(standing, fitted, self.bounds, scope)

    def _with(self, standing: Standing, fitted: Fitted, bounds: Rotor, scope: Scope) -> Case:
        return _case(
            self.rotor, self.coefficients, standing, fitted, bounds, scope, self.hedge, self.rule
        )


def case_of(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    fitted: Fitted,
    asked: Asked,
    rule: Rule | None = None,
) -> Case:
    """Return the case of a request; raises BadInput for what cannot be planned (`job.known`).

    rule: the user's own, see `rules.reading`.
    """
    bounds = tonight(rotor, asked.held)
    made = _case(rotor, coefficients, standing, fitted, bounds, asked.scope, asked.hedge, rule)
    require_hardware(rotor, _minutes(rotor, made.hardware), asked)
    return made


def _case(
    rotor: Rotor,
    coefficients: Coefficients,
    standing: Standing,
    fitted: Fitted,
    bounds: Rotor,
    scope: Scope,
    hedge: bool,
    rule: Rule | None,
) -> Case:
    hardware = hardware_on(bounds, fitted)
    if not scope.vibration:
        hardware = hardware.only(_that_move_track(standing, hardware))
    hardware, left_out = leave_out_unknown(rotor, coefficients, standing, hardware, scope)
    rules = None
    if rule is not None:
        hardware, rules = read_rules(rule, rotor, hardware)
    problem, never_read = build_problem(rotor, coefficients, standing, hardware, scope, hedge)
    return Case(
        rotor=rotor,
        coefficients=coefficients,
        standing=standing,
        fitted=fitted,
        bounds=bounds,
        scope=scope,
        hedge=hedge,
        rule=rule,
        hardware=hardware,
        rules=rules,
        problem=problem,
        never_read=never_read,
        notes=(*hardware.notes, *left_out),
    )


def _that_move_track(standing: Standing, hardware: Hardware) -> npt.NDArray[np.bool_]:
    """Return which variables are of adjusters that are known to change the track, (variable,)."""
    assert standing.track is not None
    moving = (np.nan_to_num(standing.track.mean) != 0).any(axis=0)
    return np.asarray(moving[hardware.adjuster])


def _minutes(rotor: Rotor, hardware: Hardware) -> dict[str, float | None]:
    return {
        rotor.adjusters[a].name: rotor.adjusters[a].minutes for a in np.unique(hardware.adjuster)
    }
