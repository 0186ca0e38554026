"""A set-up as values: pickup, tape or interrupter, direction of rotation, where each sensor sits.

Places are angles clockwise from 12 o'clock as seen from one named side of the disc; what follows
from them lives in `geometry`. Nothing here reads files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["OPPOSITE_DIRECTION", "OTHER_SIDE", "Edge", "Mount", "Reference", "Setup"]

Edge = Literal["leading", "trailing", "centre"]

_PAIRS = (("above", "below"), ("left", "right"), ("front", "behind"), ("drive end", "free end"))
OTHER_SIDE: Mapping[str, str] = {
    **dict(_PAIRS),
    **{b: a for a, b in _PAIRS},
}
"""Each side that a disc can be looked at from, and the side opposite to it."""

_DIRECTIONS = (("outwards", "inwards"), ("up", "down"), ("left", "right"), ("forward", "aft"))
OPPOSITE_DIRECTION: Mapping[str, str] = {
    **dict(_DIRECTIONS),
    **{b: a for a, b in _DIRECTIONS},
}
"""Each direction in which a sensor can count positive, and the opposite one."""


@dataclass(frozen=True)
class Reference:
    """The phase reference: a pickup on the airframe and what passes it on the rotor.

    angle_deg: of the pickup, clockwise from 12 o'clock as seen from the set-up's side. blade,
    ahead_deg: the middle of the tape or interrupter is that much ahead of that blade in the
    direction of rotation (negative: behind). edge: which edge of it the instrument answers to with
    the wires as they should be; the leading edge passes the pickup first. width_deg: of the tape or
    interrupter, as an angle of the disc. wires_swapped: of a magnetic pickup, which then answers to
    the other edge.
    """

    kind: Literal["photocell", "magnetic"]
    angle_deg: float
    blade: str
    ahead_deg: float = 0.0
    edge: Edge = "leading"
    width_deg: float = 0.0
    wires_swapped: bool = False

    @property
    def answers_to(self) -> Edge:
        """The edge that makes the pulse."""
        if not self.wires_swapped or self.edge == "centre":
            return self.edge
        return "trailing" if self.edge == "leading" else "leading"


@dataclass(frozen=True)
class Mount:
    """Where one sensor sits and what its reading means.

    place: where on the machine, in words. positive: the direction of motion that counts positive.
    angle_deg: of a sensor that looks at the shaft (positive outwards or inwards), clockwise from 12
    o'clock as seen from the set-up's side; None for the others. phase: what the instrument shows.
    lag_deg: by how much the instrument shows more lag than there is [deg of the sensor's order].
    reversed: the signal comes with its sign changed (wires or instrument).
    """

    sensor: str
    place: str
    positive: str
    angle_deg: float | None = None
    phase: Literal["lag", "lead"] = "lag"
    lag_deg: float = 0.0
    reversed: bool = False


@dataclass(frozen=True)
class Setup:
    """One set-up. Sensors that it does not list stand where they always stood.

    seen_from: the side from which angles and `clockwise` are meant. twelve: what 12 o'clock of the
    disc points at, the same from both sides. source: the file it was read from.
    """

    name: str
    seen_from: str
    twelve: str
    clockwise: bool
    reference: Reference
    mounts: tuple[Mount, ...] = ()
    source: str = field(default="", compare=False)

    def mount(self, sensor: str) -> Mount | None:
        """Return where a sensor sits, None when the set-up does not list it."""
        return next((m for m in self.mounts if m.sensor == sensor), None)
