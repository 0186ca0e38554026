"""What is asked of the planner, checked as a whole: everything wrong with it in one message."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from adapt.planning.held import Held
from adapt.planning.plan import Move
from adapt.planning.scope import TRACK, Scope
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["AIMS", "INSIDE", "MOST_MOVES", "Asked", "moves_of", "require_hardware"]

AIMS = ("fewest", "smoothest", "quickest", "likeliest")
MOST_MOVES = 6
INSIDE = 1.0 + 1e-9


@dataclass(frozen=True)
class Asked:
    """One request.

    most_moves, most_minutes: caps, None = none (MOST_MOVES for smoothest and likeliest).
    run_minutes: what another run costs [min], for quickest. by_hand: moves to hold beside the
    plan. teaching: whether to prefer, of nearly equal plans, the one that teaches more.
    track_first: plan the track alone, and say what balancing is then expected to need.
    """

    aim: str = "fewest"
    chance: float = 0.9
    most_moves: int | None = None
    most_minutes: float | None = None
    run_minutes: float | None = None
    hedge: bool = True
    scope: Scope = field(default_factory=Scope)
    held: Held = field(default_factory=Held)
    by_hand: tuple[Move, ...] = ()
    teaching: bool = False
    track_first: bool = False

    @property
    def staged(self) -> bool:
        """Whether a target is climbed to (fewest, quickest)."""
        return self.aim in ("fewest", "quickest")

    @property
    def by_chance(self) -> bool:
        """Whether chances are searched, rather than worst ratios."""
        return self.aim == "likeliest" or (self.staged and self.chance > 0.0)

    @property
    def target(self) -> float:
        """The largest objective value that reaches the target of fewest and quickest."""
        return -math.log(self.chance) + 1e-12 if self.by_chance else INSIDE

    def smoothest(self) -> Asked:
        """Return the request for the lowest worst ratio with the same hardware."""
        return replace(self, aim="smoothest")

    def require(self, rotor: Rotor) -> None:
        """Raise one BadInput that names everything wrong with the request."""
        wrong = [*self._wrong_numbers(), *self._wrong_together(rotor)]
        wrong += _wrong_names(rotor, self.scope, self.held)
        wrong += _contradictions(rotor, self.held)
        for number, move in enumerate(self.by_hand, start=1):
            wrong += _wrong_move(rotor, number, move)
        places = [(move.blade, move.adjuster) for move in self.by_hand]
        for blade, adjuster in dict.fromkeys(p for p in places if places.count(p) > 1):
            wrong.append(f"moves by hand: {adjuster} on blade {blade} stands twice; give its sum")
        if wrong:
            raise BadInput("; ".join(wrong))

    def _wrong_numbers(self) -> Iterable[str]:
        if self.aim not in AIMS:
            yield f"aim {self.aim!r}: expected one of {', '.join(AIMS)}"
        if not 0.0 <= self.chance < 1.0:
            yield f"chance {self.chance:g}: expected 0, or between 0 and 1 (0.9 = 9 in 10)"
        if self.most_moves is not None and self.most_moves < 0:
            yield f"most moves {self.most_moves}: expected 0 or more"
        if self.most_minutes is not None and not 0.0 <= self.most_minutes < math.inf:
            yield f"most minutes {self.most_minutes:g}: expected 0 or more"
        if self.run_minutes is not None and not 0.0 < self.run_minutes < math.inf:
            yield f"minutes of another run {self.run_minutes:g}: expected more than 0"
        for what, numbers in (("cap", self.held.caps), ("largest move", self.held.largest)):
            for name, amount in numbers.items():
                if not 0.0 <= amount < math.inf:
                    yield f"{what} of {name} {amount:g}: expected 0 or more"
        for regime, weight in self.scope.weights.items():
            if not 0.0 < weight < math.inf:
                yield f"weight of {regime} {weight:g}: expected more than 0 (1 = as it is)"

    def _wrong_together(self, rotor: Rotor) -> Iterable[str]:
        if self.run_minutes is not None and self.aim != "quickest":
            yield f"minutes of another run go with the aim quickest, not {self.aim}"
        if self.run_minutes is not None and self.chance == 0.0:
            yield "minutes of another run need chances: do not ask for chance 0"
        if self.scope.weights and self.aim != "smoothest":
            yield (
                f"weights of regimes go with the aim smoothest, not {self.aim}: limits and chances "
                "cannot be weighted"
            )
        if self.track_first and not any(
            rotor.limit_for(None, regime, self.scope.limit_set) for regime in rotor.regime_names
        ):
            yield "track first: the rotor file has no limit of track spread to reach"
        if self.track_first and self.by_hand:
            yield "track first and moves by hand do not go together: plan the stages one by one"
        if self.track_first and TRACK in self.scope.only_inside:
            yield "track first and track only inside do not go together"


def moves_of(moves: Iterable[Move | Sequence[object]]) -> tuple[Move, ...]:
    """Return moves given as values or as (blade, adjuster, amount); raise BadInput for others."""
    found: list[Move] = []
    wrong: list[str] = []
    for number, move in enumerate(moves, start=1):
        if isinstance(move, Move):
            found.append(move)
            continue
        try:
            blade, adjuster, amount = move
            found.append(Move(str(blade), str(adjuster), float(amount)))  # type: ignore[arg-type]
        except (TypeError, ValueError):
            wrong.append(
                f"move {number} by hand: found {_shown(move)}, expected blade, adjuster and amount"
            )
    if wrong:
        raise BadInput("; ".join(wrong))
    return tuple(found)


def require_hardware(rotor: Rotor, minutes: Mapping[str, float | None], asked: Asked) -> None:
    """Raise BadInput when labour is asked for that the rotor file does not give.

    minutes: by adjuster that can move.
    """
    if asked.aim != "quickest" and asked.most_minutes is None:
        return
    lacking = [name for name, value in minutes.items() if value is None]
    if lacking:
        what = "quickest" if asked.aim == "quickest" else "a cap on minutes"
        raise BadInput(
            f"{what} needs minutes for every adjuster that can move: give them in the rotor file "
            f"for {', '.join(sorted(lacking))}, or lock it"
        )


def _wrong_names(rotor: Rotor, scope: Scope, held: Held) -> Iterable[str]:
    sensors = tuple(sensor.name for sensor in rotor.sensors)
    if scope.limit_set is not None and scope.limit_set not in rotor.limit_sets():
        known = ", ".join(rotor.limit_sets()) or "none"
        yield f"limit set {scope.limit_set!r}: the rotor file has {known}"
    asked_names: tuple[tuple[str, Collection[str], tuple[str, ...]], ...] = (
        ("regime", scope.regimes or (), rotor.regime_names),
        ("regime", scope.weights, rotor.regime_names),
        ("sensor", scope.only_inside, (*sensors, TRACK)),
        ("blade", held.blades, rotor.blades),
        ("adjuster", held.adjusters, rotor.adjuster_names),
        ("blade", [blade for blade, _ in sorted(held.places)], rotor.blades),
        ("adjuster", [name for _, name in sorted(held.places)], rotor.adjuster_names),
        ("adjuster", held.caps, rotor.adjuster_names),
        ("adjuster", held.largest, rotor.adjuster_names),
    )
    said = set()
    for what, names, known_names in asked_names:
        for name in names:
            if name not in known_names and (what, name) not in said:
                said.add((what, name))
                yield f"{what} {name!r}: the rotor file has {', '.join(known_names)}" + _near(
                    name, known_names
                )
    if scope.regimes is not None and not scope.regimes:
        yield "regimes: none was named; leave it out to plan for all"


def _contradictions(rotor: Rotor, held: Held) -> Iterable[str]:
    for adjuster in rotor.adjusters:
        cap = held.caps.get(adjuster.name)
        if cap is None or not 0.0 <= cap < math.inf:
            continue
        low, high = adjuster.fitted_range
        if max(low, -cap) > min(high, cap):
            yield (
                f"cap of {adjuster.name} {cap:g} {adjuster.unit}: its fitted range is {low:g} to "
                f"{high:g}, so that nothing would be allowed; lock it instead"
            )


def _wrong_move(rotor: Rotor, number: int, move: Move) -> Iterable[str]:
    where = f"move {number} by hand"
    if move.blade not in rotor.blades:
        yield f"{where}: blade {move.blade!r}: the rotor file has {', '.join(rotor.blades)}"
    if move.adjuster not in rotor.adjuster_names:
        yield (
            f"{where}: adjuster {move.adjuster!r}: the rotor file has "
            f"{', '.join(rotor.adjuster_names)}{_near(move.adjuster, rotor.adjuster_names)}"
        )
    if not math.isfinite(move.amount):
        yield f"{where}: amount {move.amount:g}: expected a number"


def _shown(move: object) -> str:
    return " ".join(map(str, move)) if isinstance(move, list | tuple) else repr(move)


def _near(name: object, known: Sequence[str]) -> str:
    near = get_close_matches(str(name), known, n=1, cutoff=0.6)
    return f" (did you mean {near[0]}?)" if near else ""
