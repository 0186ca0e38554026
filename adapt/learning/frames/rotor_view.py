"""One rotor's runs, sensor by sensor, with the noise and the spread that the fleet has taught."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Noise
from adapt.learning.frames.stretches import Sensed, gather
from adapt.learning.frames.type_prior import Believed, TypePrior
from adapt.learning.rows.runs import Runs, orders, vibration_moves
from adapt.rotor import Rotor

__all__ = ["RotorView", "Views"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Views:
    """What all rotors share: X of the moves (order, run, adjuster), noise, type, doubts (run,)."""

    rotor: Rotor
    runs: Runs
    moves: Array
    noise: Noise
    prior: TypePrior
    doubt: Real

    @classmethod
    def of(
        cls, rotor: Rotor, runs: Runs, noise: Noise, prior: TypePrior, doubt: Real | None
    ) -> Views:
        """Return the view of a log; doubt None: no hardware was changed."""
        doubts = np.zeros(len(runs)) if doubt is None else doubt
        return cls(rotor, runs, vibration_moves(rotor, runs), noise, prior, doubts)

    def of_rotor(self, code: int) -> RotorView:
        """Return one rotor's view."""
        return RotorView(self, np.flatnonzero(self.runs.rotor == code))


@dataclass(frozen=True, eq=False)
class RotorView:
    """One rotor; rows: its runs."""

    of: Views
    rows: Whole

    def delta(self, sensor: int) -> Array:
        """Return D of a sensor's coefficients in all regimes, (size, size)."""
        return np.asarray(self.of.prior.spread[sensor])

    def sensed(self, sensor: int, readings: Array, starts: Truth) -> Sensed:
        """Return a sensor's runs; readings: (run, channel) and starts: (run,), of the whole log."""
        of, rows = self.of, self.rows
        regimes = len(of.rotor.regimes)
        span = slice(sensor * regimes, (sensor + 1) * regimes)
        moved = (of.runs.amounts[rows] != 0).sum(axis=1)
        step = of.noise.run_var_after(moved) + of.runs.gusts(of.noise.run_var)[rows]
        return Sensed(
            readings=readings[rows, span],
            moves=of.moves[orders(of.rotor)[1][span.start]][rows],
            scatter=of.noise.reading_var[span] / of.runs.repeats[rows, span],
            step=step[:, span],
            starts=starts[rows],
            doubt=of.doubt[rows],
        )

    def counted(self, sensor: int, readings: Array, starts: Truth) -> Sensed:
        """Return the same as `sensed`, as it counts where coefficients are learned."""
        regimes = len(self.of.rotor.regimes)
        share = self.of.noise.speaking
        span = slice(sensor * regimes, (sensor + 1) * regimes)
        return self.sensed(sensor, readings, starts).counting(
            None if share is None else share[span]
        )

    def believed(self, sensor: int, fitted: Runs) -> Believed:
        """Return what the rest of the log says; fitted: the runs that the type was learned from."""
        label = fitted.epoch[self.rows, sensor]
        whole = self.counted(sensor, fitted.readings, fitted.starts)
        own = []
        for one in np.unique(label):
            part = whole.only(label == one)
            told = gather(part, np.zeros(len(part.starts), dtype=np.int64), 1, self.delta(sensor))
            own.append((told.h, told.b[0]))
        return self.of.prior.rotor(sensor, own)
