"""A rotor design as values: blades, sensors, regimes, adjusters, limits.

Nothing here reads files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from adapt.rotor.masses import grams_in

__all__ = ["Adjuster", "Limit", "Regime", "Rotor", "Sensor", "SharedRange"]

Unit = Literal["ips", "mm/s", "g"]
# How near to a whole number of steps counts as one, in steps: 0.3 / 0.1 is 3.
STEP_TOLERANCE = 1e-6

Kind = Literal["weight", "pitch link", "trim tab", "other"]


@dataclass(frozen=True)
class Sensor:
    """A vibration sensor. reading_sd, run_to_run_sd: per component, in the sensor's unit."""

    name: str
    unit: Unit
    phase: Literal["lag", "lead"] = "lag"
    order: int = 1
    reading_sd: float | None = None
    run_to_run_sd: float | None = None
    combination: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Regime:
    """A flight or ground condition in which readings are taken."""

    name: str
    airspeed_kt: float | None = None
    rpm: float | None = None
    on_ground: bool = False


@dataclass(frozen=True)
class Adjuster:
    """A kind of hardware that can be changed on a blade; amounts are in `unit`.

    amount_sd: how exactly a move is made [unit]. minutes, access_minutes: labour for one move, and
    once a plan. kind: what it is, for the checks that its moves call for; None = not said.
    """

    name: str
    unit: str
    step: float
    fitted_range: tuple[float, float]
    positive: str | None = None
    amount_sd: float = 0.0
    largest_move: float | None = None
    blades: tuple[str, ...] | None = None
    sum_range: tuple[float, float] | None = None
    minutes: float | None = None
    access_minutes: float = 0.0
    kind: Kind | None = None

    @property
    def is_weight(self) -> bool:
        """Whether it adds weight: said by its kind, or else by a unit of mass."""
        return self.kind == "weight" or (self.kind is None and grams_in(self.unit) is not None)

    def fits(self, blade: str) -> bool:
        """Return whether a blade can take it."""
        return self.blades is None or blade in self.blades


@dataclass(frozen=True)
class SharedRange:
    """What several adjusters of one blade may carry together."""

    adjusters: tuple[str, ...]
    fitted_range: tuple[float, float]


@dataclass(frozen=True)
class Limit:
    """A limit on a sensor's amplitude, or on the track spread when `sensor` is None."""

    sensor: str | None
    limit: float
    regime: str | None = None
    only_inside: bool = False
    after: str | None = None


@dataclass(frozen=True)
class Rotor:
    """One rotor design. Blades stand in passing order.

    rpm: rotor speed [1/min]. azimuth_deg: passing lag of each blade after the first [deg]; None =
    evenly spaced. track_reading_sd, track_run_to_run_sd: of one blade's height [track_unit]; None =
    not stated. source: the file it was read from.
    """

    name: str
    blades: tuple[str, ...]
    rpm: float
    sensors: tuple[Sensor, ...]
    regimes: tuple[Regime, ...]
    adjusters: tuple[Adjuster, ...]
    limits: tuple[Limit, ...]
    track_unit: str | None = None
    azimuth_deg: tuple[float, ...] | None = None
    shared_ranges: tuple[SharedRange, ...] = ()
    track_reading_sd: float | None = None
    track_run_to_run_sd: float | None = None
    source: str = field(default="", compare=False)

    @cached_property
    def psi(self) -> npt.NDArray[np.float64]:
        """Passing lag of each blade after the first [rad], shape (blade,)."""
        n = len(self.blades)
        deg = 360.0 * np.arange(n) / n if self.azimuth_deg is None else np.array(self.azimuth_deg)
        return np.deg2rad(deg)

    @cached_property
    def channels(self) -> tuple[tuple[str, str], ...]:
        """Every (sensor, regime), sensors in file order, regimes within them."""
        return tuple((s.name, r.name) for s in self.sensors for r in self.regimes)

    @cached_property
    def regime_names(self) -> tuple[str, ...]:
        """Names of the regimes, in file order."""
        return tuple(r.name for r in self.regimes)

    @cached_property
    def adjuster_names(self) -> tuple[str, ...]:
        """Names of the adjusters, in file order."""
        return tuple(a.name for a in self.adjusters)

    @property
    def has_track(self) -> bool:
        """Whether the rotor has track readings."""
        return self.track_unit is not None

    def sensor(self, name: str) -> Sensor:
        """Return the sensor of that name; KeyError when there is none."""
        return {s.name: s for s in self.sensors}[name]

    def adjuster(self, name: str) -> Adjuster:
        """Return the adjuster of that name; KeyError when there is none."""
        return {a.name: a for a in self.adjusters}[name]

    def limit_sets(self) -> tuple[str, ...]:
        """Names of the limit sets that `after` names, in file order."""
        return tuple(dict.fromkeys(x.after for x in self.limits if x.after is not None))

    def limit_for(
        self, sensor: str | None, regime: str, limit_set: str | None = None
    ) -> Limit | None:
        """Return the limit in force on a sensor (None: track) in a regime, or None.

        The last matching limit wins; one of the chosen set comes before one of no set.
        """
        matching = [x for x in self.limits if x.sensor == sensor and x.regime in (None, regime)]
        of_set = [x for x in matching if limit_set is not None and x.after == limit_set]
        general = [x for x in matching if x.after is None]
        found = of_set or general
        return found[-1] if found else None
