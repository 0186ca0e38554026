"""By how much the readings of each sensor turn between two set-ups, and what cannot be turned.

With the pulse at theta_pulse (see `geometry`) a reading of order n lags n (theta_peak -
theta_pulse). Seen from the set-up here, the chart's shows more lag by

    n (theta_pulse here - theta_pulse chart)                      where the references differ
    + 180 deg of the order                                        where the sensor counts the other
                                                                  way, or its sign is changed
    + what the chart's instrument adds - what the one here adds   constant lag of the instruments
    + S chart - S here                                            the sensor's place on the shaft

all in degrees of the order. An instrument that shows lead shows the conjugate of the lag.

The last line is the law of a forward circular whirl: the motion comes round with the rotor and
passes a sensor further on in the direction of rotation later, and just as large. It is exact only
where machine and mount are alike in all directions, and it holds for order 1, whose cause turns
with the rotor; such a turn is marked as approximate. Half way round is exact for a casing that
moves as one piece: the sensor sees the same motion from behind. A sensor at another place of the
machine, or along another direction, reads another motion: nothing turns it into this one.
Derived here from these definitions; no source beyond them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy.typing as npt

from adapt.balancing.setup.geometry import along, pulse_deg, same_sense, turned_deg
from adapt.balancing.setup.values import OPPOSITE_DIRECTION, OTHER_SIDE, Mount, Setup
from adapt.phasor import from_lag, to_complex, to_lag
from adapt.problems import AdaptError, BadInput, CannotBeMet, Problem, shown
from adapt.rotor import Rotor, Sensor

__all__ = ["Turn", "check_pair", "reference_turn_deg", "turns_between"]

Phase = Literal["lag", "lead"]

_LITTLE_DEG = 1e-9


@dataclass(frozen=True)
class Turn:
    """What turns the readings of one sensor as one set-up shows them into those of another.

    order: of the sensor. reference_deg, direction_deg, instrument_deg, place_deg: more lag [deg of
    that order] by the reference, by the way the sensor counts, by the instruments, by the sensor's
    place around the shaft. phase_from, phase_to: what the instruments of the two show. approximate:
    why the turn is not exact, "" where it is. cannot: why there is none, "" where there is one.
    """

    sensor: str
    order: int
    reference_deg: float = 0.0
    direction_deg: float = 0.0
    instrument_deg: float = 0.0
    place_deg: float = 0.0
    phase_from: Phase = "lag"
    phase_to: Phase = "lag"
    approximate: str = ""
    cannot: str = ""

    @property
    def lag_deg(self) -> float:
        """The whole turn, positive = more lag [deg of the order], from 0 up to 360."""
        parts = self.reference_deg, self.direction_deg, self.instrument_deg, self.place_deg
        return sum(parts) % 360.0 % 360.0  # -1e-17 % 360 is 360

    @property
    def mirrors(self) -> bool:
        """Whether one of the two shows lag and the other lead."""
        return self.phase_from != self.phase_to

    @property
    def shown_deg(self) -> float:
        """What is added to a phase as shown, after its sign is changed where the turn mirrors."""
        return self.lag_deg if self.phase_to == "lag" else -self.lag_deg % 360.0 % 360.0

    def __call__(self, shown: npt.ArrayLike) -> Any:
        """Return readings (complex, as the first set-up shows them) as the second shows them.

        Raises CannotBeMet where nothing turns one into the other.

        >>> from adapt.phasor import phase_deg
        >>> turn = Turn("gearbox radial", 1, reference_deg=-90.0)
        >>> float(phase_deg(turn(to_complex(0.2, 130.0))))  # 4:20 is 1:20
        40.0
        """
        if self.cannot:
            raise CannotBeMet(f"{shown_name(self.sensor)}: {self.cannot}")
        lag = to_lag(shown, self.phase_from) * to_complex(1.0, self.lag_deg)
        return from_lag(lag, self.phase_to)

    def back(self) -> Turn:
        """Return the turn from the second set-up to the first.

        >>> turn = Turn("gearbox radial", 1, reference_deg=-90.0, phase_to="lead")
        >>> turn.back().back() == turn, complex(turn.back()(turn(0.25j)))
        (True, 0.25j)
        """
        return replace(
            self,
            reference_deg=-self.reference_deg,
            direction_deg=-self.direction_deg,
            instrument_deg=-self.instrument_deg,
            place_deg=-self.place_deg,
            phase_from=self.phase_to,
            phase_to=self.phase_from,
        )

    def then(self, after: Turn) -> Turn:
        """Return this turn and another after it as one.

        Raises AdaptError when the other does not begin where this one ends.
        """
        if (self.sensor, self.order, self.phase_to) != (
            after.sensor,
            after.order,
            after.phase_from,
        ):
            raise AdaptError("a turn can only follow one of the same sensor that ends as it begins")
        return Turn(
            self.sensor,
            self.order,
            self.reference_deg + after.reference_deg,
            self.direction_deg + after.direction_deg,
            self.instrument_deg + after.instrument_deg,
            self.place_deg + after.place_deg,
            self.phase_from,
            after.phase_to,
            self.approximate or after.approximate,
            self.cannot or after.cannot,
        )


def shown_name(name: str) -> str:
    """Return a sensor's name as a message can show it."""
    return shown(name)[1:-1]


def check_pair(here: Setup, chart: Setup) -> None:
    """Raise BadInput with every reason why two set-ups are not of one rotor on one aircraft."""
    problems = []

    def differ(key: str, found: str, expected: str) -> None:
        problems.append(
            Problem("fault", chart.source, None, f"[setup], key {key}", found, expected)
        )

    if chart.seen_from not in (here.seen_from, OTHER_SIDE[here.seen_from]):
        expected = f"{here.seen_from} or {OTHER_SIDE[here.seen_from]}, as in {here.source}"
        differ("seen_from", chart.seen_from, expected)
    elif not same_sense(here, chart):
        sense = "clockwise" if chart.clockwise else "anticlockwise"
        other = "clockwise" if here.clockwise else "anticlockwise"
        differ(
            "rotation",
            f"{sense} seen from {chart.seen_from}",
            f"the same way round as in {here.source}, {other} seen from {here.seen_from}: "
            "the rotor turns one way only",
        )
    if chart.twelve.casefold() != here.twelve.casefold():
        expected = f"{shown(here.twelve)}, as in {here.source}: 12 o'clock must be one direction"
        differ("twelve", shown(chart.twelve), expected)
    if problems:
        raise BadInput(problems)


def reference_turn_deg(rotor: Rotor, here: Setup, chart: Setup) -> float:
    """Return by how much more the chart's set-up lags for its reference [deg of shaft], -180..180.

    Positive: the pulse of the chart's set-up comes earlier in the turn.

    >>> from adapt.balancing.setup import Reference
    >>> rotor = Rotor("tail rotor", ("1", "2"), 1980.0, (), (), (), ())
    >>> here = Setup("here", "left", "up", True, Reference("photocell", 90.0, "1", edge="centre"))
    >>> chart = replace(here, reference=replace(here.reference, angle_deg=0.0))
    >>> reference_turn_deg(rotor, here, chart)
    90.0
    """
    return turned_deg(pulse_deg(here, rotor) - pulse_deg(chart, rotor))


def turns_between(rotor: Rotor, here: Setup, chart: Setup) -> dict[str, Turn]:
    """Return for each sensor of the rotor file what turns its readings here into the chart's.

    Raises BadInput when the two set-ups contradict each other, and where the set-up here shows lead
    for a sensor that the rotor file calls lag, or the reverse: the rotor file says how readings are
    taken here; that of the chart may differ.

    >>> from adapt.balancing.setup import Reference
    >>> radial = Sensor("gearbox radial", "ips")
    >>> rotor = Rotor("tail rotor", ("1", "2"), 1980.0, (radial,), (), (), ())
    >>> here = Setup("here", "left", "up", True, Reference("photocell", 90.0, "1", edge="centre"))
    >>> chart = replace(here, reference=replace(here.reference, blade="2"))
    >>> turns_between(rotor, here, chart)["gearbox radial"].lag_deg
    180.0
    """
    check_pair(here, chart)
    wrong = [
        Problem(
            "fault",
            here.source,
            None,
            f"[[sensors]] ({shown_name(m.sensor)}), key phase",
            m.phase,
            f"{rotor.sensor(m.sensor).phase}, what the rotor file says of readings taken here",
        )
        for m in here.mounts
        if m.phase != rotor.sensor(m.sensor).phase
    ]
    if wrong:
        raise BadInput(wrong)
    pulses = pulse_deg(here, rotor), pulse_deg(chart, rotor)
    turns = {s.name: _turn(s, here, chart, pulses) for s in rotor.sensors if s.combination is None}
    for sensor in rotor.sensors:
        if sensor.combination is not None:
            turns[sensor.name] = _of_parts(sensor, [turns[name] for name in sensor.combination])
    return {s.name: turns[s.name] for s in rotor.sensors}


def _turn(sensor: Sensor, here: Setup, chart: Setup, pulses: tuple[float, float]) -> Turn:
    order = sensor.order
    one, other = here.mount(sensor.name), chart.mount(sensor.name)
    turn = Turn(
        sensor.name,
        order,
        reference_deg=turned_deg(order * (pulses[0] - pulses[1])),
        phase_from=sensor.phase,
        phase_to=sensor.phase,
    )
    if one is None and other is None:
        return turn
    if one is None or other is None:
        without = here.name if one is None else chart.name
        return replace(turn, cannot=f"where it sits is not said in the set-up {shown(without)}")
    turn = replace(
        turn, phase_to=other.phase, instrument_deg=turned_deg(other.lag_deg - one.lag_deg)
    )
    if one.place.casefold() != other.place.casefold():
        return replace(
            turn,
            cannot=f"it sits at {shown(one.place)} here and at {shown(other.place)} on the chart; "
            "a sensor elsewhere on the machine reads another motion, which no turn makes good",
        )
    if other.positive not in (one.positive, OPPOSITE_DIRECTION[one.positive]):
        return replace(
            turn,
            cannot=f"it counts positive {one.positive} here and {other.positive} on the chart; "
            "motion in another direction is another reading, which no turn makes good",
        )
    opposite = (one.positive != other.positive) != (one.reversed != other.reversed)
    turn = replace(turn, direction_deg=180.0 if opposite else 0.0)
    if one.angle_deg is None or other.angle_deg is None:
        return turn
    return _moved_around(turn, one, other, here, chart)


def _moved_around(turn: Turn, one: Mount, other: Mount, here: Setup, chart: Setup) -> Turn:
    """Return the turn of a sensor that looks at the shaft from another place around it."""
    assert one.angle_deg is not None
    assert other.angle_deg is not None
    moved = turned_deg(along(chart, other.angle_deg) - along(here, one.angle_deg))
    if min(abs(moved), 180.0 - abs(moved)) <= _LITTLE_DEG:
        # In line: the same motion, from the other side where it is half way round.
        return replace(turn, place_deg=180.0 if abs(moved) > 90.0 else 0.0)
    if turn.order != 1:
        return replace(
            turn,
            cannot=f"it looks at the shaft from another place on the chart, {abs(moved):.3g} deg "
            f"round; how vibration of order {turn.order} comes round is not known",
        )
    way = "on" if moved > 0 else "back"
    return replace(
        turn,
        place_deg=moved,
        approximate=f"the sensor sits {abs(moved):.3g} deg further {way} in the direction of "
        "rotation on the chart; exact only where machine and mount are alike in all directions",
    )


def _of_parts(sensor: Sensor, parts: list[Turn]) -> Turn:
    """Return the turn of a reading made of others: theirs, where they all turn alike."""
    first = parts[0]
    cannot = next((f"{shown_name(p.sensor)}: {p.cannot}" for p in parts if p.cannot), "")
    alike = all(
        abs(turned_deg(p.lag_deg - first.lag_deg)) <= _LITTLE_DEG and p.mirrors == first.mirrors
        for p in parts
    )
    if not cannot and not alike:
        cannot = "the sensors that it is made of turn differently; turn those and make it of them"
    flipped: Phase = "lead" if sensor.phase == "lag" else "lag"
    return replace(
        first,
        sensor=sensor.name,
        phase_from=sensor.phase,
        phase_to=flipped if first.mirrors else sensor.phase,
        approximate=next((p.approximate for p in parts if p.approximate), ""),
        cannot=cannot,
    )
