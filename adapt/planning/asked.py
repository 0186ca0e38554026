"""What is asked of the planner, checked as a whole: everything wrong with it in one message."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from adapt.planning.job.held import Held
from adapt.planning.job.scope import TRACK, Scope
from adapt.planning.plan import Move
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["AIMS", "INSIDE", "Asked", "asked_for", "require_hardware"]

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

    @property
    def cap(self) -> int:
        """The most moves of a search that makes one number small."""
        return MOST_MOVES if self.most_moves is None else self.most_moves

    @property
    def moves_cap(self) -> int | None:
        """The most moves of a plan by the aim, None for no cap."""
        return self.most_moves if self.staged else self.cap

    def smoothest(self) -> Asked:
        """Return the request for the lowest worst ratio with the same hardware."""
        return replace(self, aim="smoothest")

    def wrong(self, rotor: Rotor) -> list[str]:
        """Return everything that is wrong with the request, in words."""
        wrong = [*self._wrong_numbers(), *self._wrong_together(rotor)]
        wrong += _wrong_names(rotor, self.scope, self.held)
        wrong += _contradictions(rotor, self.held)
        for number, move in enumerate(self.by_hand, start=1):
            wrong += _wrong_move(rotor, number, move)
        places = [(move.blade, move.adjuster) for move in self.by_hand]
        for blade, adjuster in dict.fromkeys(p for p in places if places.count(p) > 1):
            wrong.append(f"moves by hand: {adjuster} on blade {blade} stands twice; give its sum")
        return wrong

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


def asked_for(
    rotor: Rotor,
    *,
    aim: str = "fewest",
    chance: float = 0.9,
    most_moves: int | None = None,
    most_minutes: float | None = None,
    run_minutes: float | None = None,
    limits: str | None = None,
    hedge: bool = True,
    regimes: Collection[str] | None = None,
    weights: Mapping[str, float] | None = None,
    only_inside: Collection[str] = (),
    locked_blades: Collection[str] = (),
    locked_adjusters: Collection[str] = (),
    locked: Collection[tuple[str, str]] = (),
    caps: Mapping[str, float] | None = None,
    largest_moves: Mapping[str, float] | None = None,
    by_hand: Iterable[Move | Sequence[object]] = (),
    track_first: bool = False,
    prefer_teaching: bool = False,
) -> Asked:
    """Return the request that the arguments of `plan` make, with its defaults.

    A name alone stands for a list of one. Raises one BadInput that says all that is wrong with it.
    """
    read = _Reading()
    asked = Asked(
        aim=aim,
        chance=read.number("chance", chance, 0.9),
        most_moves=None if most_moves is None else read.whole("most moves", most_moves),
        most_minutes=None if most_minutes is None else read.number("most minutes", most_minutes),
        run_minutes=None
        if run_minutes is None
        else read.number("minutes of another run", run_minutes),
        hedge=hedge,
        scope=Scope(
            limit_set=limits,
            regimes=None if regimes is None else _names(regimes),
            only_inside=_names(only_inside),
            weights=read.numbers("weight", weights),
            vibration=not track_first,
        ),
        held=Held(
            blades=_names(locked_blades),
            adjusters=_names(locked_adjusters),
            places=read.places(locked),
            caps=read.numbers("cap", caps),
            largest=read.numbers("largest move", largest_moves),
        ),
        by_hand=read.moves(by_hand),
        teaching=prefer_teaching,
        track_first=track_first,
    )
    wrong = [*read.wrong, *asked.wrong(rotor)]
    if wrong:
        raise BadInput("; ".join(wrong))
    return asked


class _Reading:
    """Arguments as values; what is none is said in `wrong`, and something harmless is taken."""

    def __init__(self) -> None:
        self.wrong: list[str] = []

    def number(self, what: str, value: object, instead: float = 1.0) -> float:
        try:
            return float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            self.wrong.append(f"{what}: found {value!r}, expected a number")
            return instead

    def whole(self, what: str, value: object) -> int:
        number = self.number(what, value)
        if number != round(number) if math.isfinite(number) else True:
            self.wrong.append(f"{what}: found {value!r}, expected a whole number")
            return 0
        return round(number)

    def numbers(self, what: str, values: Mapping[str, float] | None) -> dict[str, float]:
        return {
            str(name): self.number(f"{what} of {name}", value)
            for name, value in (values or {}).items()
        }

    def places(self, values: Collection[tuple[str, str]]) -> frozenset[tuple[str, str]]:
        found = set()
        for value in values:
            if isinstance(value, str) or len(value) != 2:
                self.wrong.append(f"locked: found {_shown(value)}, expected blade and adjuster")
            else:
                found.add((str(value[0]), str(value[1])))
        return frozenset(found)

    def moves(self, values: Iterable[Move | Sequence[object]]) -> tuple[Move, ...]:
        found: list[Move] = []
        for number, value in enumerate(values, start=1):
            if isinstance(value, Move):
                found.append(value)
                continue
            try:
                blade, adjuster, amount = value
                found.append(Move(str(blade), str(adjuster), float(amount)))  # type: ignore[arg-type]
            except (TypeError, ValueError):
                self.wrong.append(
                    f"move {number} by hand: found {_shown(value)}, expected blade, adjuster and "
                    "amount"
                )
        return tuple(found)


def _names(values: Collection[str]) -> frozenset[str]:
    return frozenset((values,) if isinstance(values, str) else map(str, values))


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
