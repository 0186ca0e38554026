"""The plan: what the planner hands to people and scripts. Values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = [
    "Alternative",
    "ChannelKey",
    "Move",
    "Plan",
    "ReadingForecast",
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
class Plan:
    """A correction for a job, with what it is expected to do and how sure that is.

    worst_ratio: largest reading / limit predicted (hedged unless asked otherwise). lower_bound and
    second_bound: what the search proved for the aim's first and second stage; `proven` only when
    they meet the values found. chance: product of the single chances; joint_chance: with the
    correlation that shared coefficients bring. after_run: the run the plan starts from.
    conditions: aircraft, started, gross_weight, wind_kt, oat_c, rpm of that run, where known.
    cautions_for: notes on what the plan rests on (assumed fitted amounts, carried readings, ...).
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
