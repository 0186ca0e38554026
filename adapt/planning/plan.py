"""The plan: what the planner hands to people and scripts. Values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = [
    "Alternative",
    "ByHand",
    "Chances",
    "ChannelKey",
    "Lesson",
    "Move",
    "NextStage",
    "Plan",
    "ReadingForecast",
    "Relaxation",
    "Saving",
    "TrackForecast",
    "Tradeoff",
]


@dataclass(frozen=True)
class Move:
    """One signed change of one adjuster on one blade; amount in the adjuster's unit."""

    blade: str
    adjuster: str
    amount: float


@dataclass(frozen=True)
class ChannelKey:
    """A reading channel, or the track of a regime when sensor is None."""

    sensor: str | None
    regime: str


@dataclass(frozen=True)
class ReadingForecast:
    """One sensor in one regime, before the moves and predicted after them.

    before: what was read (complex, lag, sensor's unit), or the level carried forward when
    `read_in` is an earlier run; None when never read. after: predicted mean; change: mean effect
    of the moves. sd: of the next reading, per component. limit None: shown, not constrained.
    ratio: predicted amplitude (hedged unless asked otherwise) over limit.
    chance: that the next reading is inside; None without a limit or a level.
    """

    sensor: str
    regime: str
    before: complex | None
    after: complex | None
    change: complex | None
    sd: float | None
    limit: float | None
    ratio: float | None
    chance: float | None
    read_in: str | None


@dataclass(frozen=True)
class TrackForecast:
    """Track of one regime: spreads and heights by blade in track_unit, before and after."""

    regime: str
    before: float | None
    after: float | None
    heights_before: Mapping[str, float]
    heights_after: Mapping[str, float]
    limit: float | None
    ratio: float | None
    chance: float | None
    read_in: str | None


@dataclass(frozen=True)
class Tradeoff:
    """The best plan with exactly or at most `moves` moves."""

    moves: int
    worst_ratio: float
    chance: float
    proven: bool
    plan: tuple[Move, ...]


@dataclass(frozen=True)
class Alternative:
    """Another plan of nearly the same worth that moves different hardware."""

    moves: tuple[Move, ...]
    worst_ratio: float
    chance: float
    minutes: float | None


@dataclass(frozen=True)
class ByHand:
    """Moves that a person chose, with what they are expected to do.

    inside: whether everything with a limit is predicted inside. breaks: bounds of the hardware that
    the moves do not keep, in words. unknown: what has a limit and cannot be foretold, because an
    effect is not known; worst_ratio and the chances are None then. Else as in `Plan`.
    """

    moves: tuple[Move, ...]
    worst_ratio: float | None
    chance: float | None
    joint_chance: float | None
    inside: bool
    minutes: float | None
    breaks: tuple[str, ...]
    unknown: tuple[ChannelKey, ...]
    readings: tuple[ReadingForecast, ...]
    track: tuple[TrackForecast, ...]


@dataclass(frozen=True)
class Chances:
    """What the chance could be: of the plan, and of the likeliest plan if something were otherwise.

    perfect: nothing left to correct and all effects known, so that only the noise of a run remains.
    known: if every effect were exactly what is now expected of it. repeated: if the run were
    repeated first, without a move, and read the same. finer: in steps a quarter as large. wider:
    with no bounds on ranges, single moves, sums and blades. main: what would help most, of "known",
    "repeated", "finer", "wider", "noise" (nothing: the noise of a run alone is too much), or "" (no
    change helps much). proven: whether all of these searches ended.
    """

    plan: float
    perfect: float
    known: float
    repeated: float
    finer: float
    wider: float
    main: str
    proven: bool


@dataclass(frozen=True)
class Relaxation:
    """One bound that stands in the way, and how far it must give for everything to come inside.

    what: "limits", "most moves", "most minutes", "fitted range", "largest move", "sum", "locked".
    name: the adjuster or blade, "" for all. now, needed: the bound as it is, and the least (of
    those tried) that opens it; None for what is locked. exact: whether nothing less would do.
    """

    what: str
    name: str
    now: float | None
    needed: float | None
    unit: str
    exact: bool


@dataclass(frozen=True)
class NextStage:
    """What the stage after this one is expected to need.

    moves: the plan for the run that is expected; chance: of that plan. counts: how many of the
    simulated next runs need so many moves (-1: no plan reached the target), by number of moves.
    why: why nothing can be said of it, "" where something is.
    """

    moves: tuple[Move, ...]
    chance: float
    counts: Mapping[int, int]
    why: str = ""


@dataclass(frozen=True)
class Lesson:
    """What the next run would teach of one adjuster: doubt of a usual move's effect, as a share.

    before, after: root-mean-square over everything with a limit, one sd per component, as a share
    of the limit.
    """

    adjuster: str
    before: float
    after: float


@dataclass(frozen=True)
class Saving:
    """Weight that can be taken off without any predicted change: moves of one adjuster."""

    moves: tuple[Move, ...]
    saved: float


@dataclass(frozen=True)
class Plan:
    """A correction for a job, with what it is expected to do and how sure that is.

    worst_ratio: largest reading / limit predicted (hedged unless asked otherwise). lower_bound and
    second_bound: what the search proved for the aim's first and second stage; `proven` only when
    they meet the values found. chance: product of the single chances; joint_chance: with the
    correlation that shared coefficients bring. after_run: the run the plan starts from.
    conditions: aircraft, started, gross_weight, wind_kt, oat_c, rpm of that run, where known.
    notes: what the plan rests on (assumed fitted amounts, carried readings, ...). weighted_ratio:
    the largest ratio times weight where regimes are weighted, which the bound then speaks of.
    penalty: the user's own, which counts with the worst ratio in what is small and its bound.
    expected_minutes: with the cost of another run, which the first bound then speaks of.
    track_alone: only the limits of track were looked at; chance and feasible speak of them alone.
    """

    rotor: str
    design: str
    job: str
    after_run: str
    aim: str
    limit_set: str | None
    chance_asked: float | None
    most_moves: int | None
    hedged: bool
    feasible: bool
    stopped_by: tuple[ChannelKey, ...]
    not_constrained: tuple[ChannelKey, ...]
    worst_ratio: float
    lower_bound: float
    second_bound: float | None
    proven: bool
    chance: float
    joint_chance: float
    minutes: float | None
    moves: tuple[Move, ...]
    readings: tuple[ReadingForecast, ...]
    track: tuple[TrackForecast, ...]
    tradeoff: tuple[Tradeoff, ...]
    alternatives: tuple[Alternative, ...]
    conditions: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    seconds: float = 0.0
    most_minutes: float | None = None
    run_minutes: float | None = None
    track_alone: bool = False
    expected_minutes: float | None = None
    weighted_ratio: float | None = None
    penalty: float | None = None
    by_hand: ByHand | None = None
    chances: Chances | None = None
    relaxations: tuple[Relaxation, ...] = ()
    next_stage: NextStage | None = None
    lessons: tuple[Lesson, ...] = ()
    savings: tuple[Saving, ...] = ()
