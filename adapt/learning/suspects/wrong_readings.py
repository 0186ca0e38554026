"""Everything that may be wrong with the readings of a run: which channels, and what was meant.

A reading that is made of others (a combination sensor) follows its parts and is never wrong itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.learning.suspects.mistakes import SHARES, WRONG_RUN
from adapt.rotor import Rotor

__all__ = ["WrongReading", "changes", "derived_readings", "log_priors", "wrong_readings"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

SAME = 1e-9  # relative: a combination sensor's reading equals its parts' but for rounding
HOUR = np.exp(1j * np.pi / 6.0)


@dataclass(frozen=True, eq=False)
class WrongReading:
    """One way in which the readings of a run may be wrong.

    channels: which are concerned; taken: (channel,) from which channel each one's true reading is
    to be had, times turn, conjugated if `mirrored`. least: how many must have been read.
    whole: all of a sensor rather than one reading.
    """

    kind: str
    text: str
    channels: Whole
    taken: Whole
    turn: complex = 1.0
    mirrored: bool = False
    least: int = 1
    whole: bool = False

    def apply(self, readings: Array, derived: Truth) -> tuple[Array, Truth]:
        """Return what was really read (run, concerned channel), and where that can be said.

        readings, derived: (run, channel), all channels.
        """
        meant = readings[:, self.taken]
        meant = (meant.conj() if self.mirrored else meant) * self.turn
        told = ~np.isnan(meant) & ~np.isnan(readings[:, self.channels])
        told &= ~derived[:, self.channels] & ~derived[:, self.taken]
        told &= (told.sum(axis=1) >= self.least)[:, None]
        return np.where(told, meant, readings[:, self.channels]), told


def wrong_readings(rotor: Rotor) -> list[WrongReading]:
    """Return every way in which the readings of one run may be wrong."""
    channel = np.arange(len(rotor.channels)).reshape(len(rotor.sensors), len(rotor.regimes))
    return [
        *_clocks(rotor, channel),
        *_swaps("sensors swapped", [s.name for s in rotor.sensors], channel, rotor),
        *_swaps("regimes swapped", list(rotor.regime_names), channel.T),
    ]


def _clocks(rotor: Rotor, channel: Whole) -> Iterator[WrongReading]:
    """Yield clock angles off by hours, in the sensor's own sense, and phases mirrored."""
    turns = [
        ("clock one hour", "one hour too far on", complex(HOUR.conj())),
        ("clock one hour", "one hour too far back", complex(HOUR)),
        ("clock six hours", "six hours off", -1.0 + 0j),
    ]
    for kind, words, lag in turns:
        for s, sensor in enumerate(rotor.sensors):
            turn = lag.conjugate() if sensor.phase == "lead" else lag
            for j in channel[s]:
                at, regime = np.array([j]), rotor.channels[j][1]
                text = f"clock of {sensor.name} in {regime} was {words}"
                yield WrongReading(kind, text, at, at, turn)
            text = f"all clocks of {sensor.name} were {words}"
            yield WrongReading(kind, text, channel[s], channel[s], turn, least=2, whole=True)
    for s, sensor in enumerate(rotor.sensors):
        text = f"phases of {sensor.name} were entered as lead for lag, or lag for lead"
        yield WrongReading("lead for lag", text, channel[s], channel[s], mirrored=True, whole=True)


def _swaps(
    kind: str, names: Sequence[str], channel: Whole, rotor: Rotor | None = None
) -> Iterator[WrongReading]:
    """Yield two rows of channels swapped; channel: (name, other); rotor: the rows are its sensors.

    Between a sensor that reports lag and one that reports lead, readings are mirrored as well.
    """
    for one in range(len(names)):
        for two in range(one + 1, len(names)):
            at = np.concatenate([channel[one], channel[two]])
            taken = np.concatenate([channel[two], channel[one]])
            mirrored = rotor is not None and rotor.sensors[one].phase != rotor.sensors[two].phase
            text = f"readings of {names[one]} and {names[two]} were swapped"
            yield WrongReading(kind, text, at, taken, mirrored=mirrored, least=2, whole=True)


def log_priors(found: Sequence[WrongReading], possible: Truth) -> Real:
    """Share each kind's prior among what is possible in a run, (run, mistake); -inf where not.

    possible: (run, mistake). Half of a kind's share is for single readings where both can be.
    """
    result = np.full(possible.shape, -np.inf)
    for kind in dict.fromkeys(x.kind for x in found):
        of_kind = np.array([x.kind == kind for x in found])
        whole = np.array([x.whole for x in found])
        single = (possible & of_kind & ~whole).sum(axis=1)
        entire = (possible & of_kind & whole).sum(axis=1)
        half = np.where((single > 0) & (entire > 0), 0.5, 1.0)
        for chosen, number in ((of_kind & ~whole, single), (of_kind & whole, entire)):
            share = np.log(WRONG_RUN * SHARES[kind] * half / np.maximum(number, 1))
            result[:, chosen] = np.where(possible[:, chosen], share[:, None], -np.inf)
    return result


def changes(
    rotor: Rotor, found: Sequence[WrongReading], readings: Array, only: int | None = None
) -> Iterator[tuple[int, Whole, Array]]:
    """Yield (mistake, channels, what was really read less what is entered) for some runs.

    readings: (run, channel). The change is (run, concerned channel), 0 where nothing changes.
    only: the one mistake to look at; all when absent.
    """
    parts = list(_made_of(rotor))
    derived = derived_readings(rotor, readings)
    for m in range(len(found)) if only is None else (only,):
        mistake = found[m]
        meant, told = mistake.apply(readings, derived)
        change = np.where(told, meant - readings[:, mistake.channels], 0.0)
        if parts:
            whole = np.zeros(readings.shape, dtype=complex)
            whole[:, mistake.channels] = change
            for s, of in parts:
                follows = sum(k * whole[:, at] for at, k in of)
                whole[:, s] = np.where(derived[:, s], follows, whole[:, s])
            yield m, np.arange(readings.shape[1]), whole
        else:
            yield m, mistake.channels, change


def derived_readings(rotor: Rotor, readings: Array) -> Truth:
    """Return which readings equal what their sensor is made of, (run, channel)."""
    derived = np.zeros(readings.shape, dtype=bool)
    for s, of in _made_of(rotor):
        total = sum(k * readings[:, at] for at, k in of)
        derived[:, s] = np.abs(readings[:, s] - total) <= SAME * np.abs(total)
    return derived


def _made_of(rotor: Rotor) -> Iterator[tuple[slice, list[tuple[slice, float]]]]:
    """Yield the channels of each combination sensor, and those of its parts with their factors."""
    names = [s.name for s in rotor.sensors]
    size = len(rotor.regimes)

    def at(name: str) -> slice:
        start = names.index(name) * size
        return slice(start, start + size)

    for sensor in rotor.sensors:
        if sensor.combination:
            yield at(sensor.name), [(at(p), k) for p, k in sensor.combination.items()]
