"""When the pulse of the phase reference comes, from where things sit on the disc.

All angles are taken in the direction of rotation from 12 o'clock. A place that stands at the angle
p clockwise as seen from one side stands at -p as seen from the other, and a rotor that turns
clockwise from one side turns anticlockwise from the other: in the direction of rotation the angle
is the same, p for a clockwise rotor and -p for an anticlockwise one, whichever side is named.

theta is the angle of the first blade. Blade b passes psi_b after it and so stands at theta - psi_b;
the middle of a tape ahead of blade b by a stands at theta - psi_b + a; the leading edge of a tape
of width w half of w further on, the trailing edge half of w behind. The pulse comes when the edge
stands under the pickup at P:

    theta_pulse = P + psi_b - a - h      h = w/2 leading, 0 centre, -w/2 trailing

A reading of order n peaks when the first blade stands at theta_peak, and its lag is

    phase = n (theta_peak - theta_pulse).

Derived here from these definitions; no source beyond them.
"""

from __future__ import annotations

from adapt.balancing.setup.values import OTHER_SIDE, Setup
from adapt.rotor import Rotor

__all__ = ["along", "blade_angles_at_pulse", "from_side", "pulse_deg", "same_sense", "turned_deg"]


def along(setup: Setup, angle_deg: float) -> float:
    """Return an angle clockwise as seen from the set-up's side, in the direction of rotation [deg].

    The same rule takes an angle in the direction of rotation back to one clockwise as seen.

    >>> from adapt.balancing.setup import Reference, Setup
    >>> one = Setup("one", "above", "nose", False, Reference("photocell", 0.0, "1"))
    >>> along(one, 90.0)  # 3 o'clock, of a rotor that turns anticlockwise
    270.0
    """
    return (angle_deg if setup.clockwise else -angle_deg) % 360.0 % 360.0  # -1e-17 % 360 is 360


def from_side(angle_deg: float, seen_from: str, wanted: str) -> float:
    """Return an angle clockwise as seen from one side as seen from another of the same disc [deg].

    >>> from_side(90.0, "left", "right"), from_side(90.0, "left", "left")
    (270.0, 90.0)
    """
    if wanted == seen_from:
        return angle_deg % 360.0
    if OTHER_SIDE.get(seen_from) != wanted:
        raise ValueError(f"{seen_from} and {wanted} are not two sides of one disc")
    return -angle_deg % 360.0


def same_sense(one: Setup, other: Setup) -> bool:
    """Return whether the rotor turns the same way in two set-ups of one disc.

    >>> from adapt.balancing.setup import Reference, Setup
    >>> pickup = Reference("photocell", 0.0, "1")
    >>> one = Setup("one", "left", "up", True, pickup)
    >>> same_sense(one, Setup("other", "right", "up", False, pickup))
    True
    """
    return (one.clockwise == other.clockwise) == (one.seen_from == other.seen_from)


def pulse_deg(setup: Setup, rotor: Rotor) -> float:
    """Return where the first blade stands when the pulse comes [deg], from 0 up to 360.

    From 12 o'clock in the direction of rotation. The set-up must name a blade of the rotor.

    >>> from adapt.balancing.setup import Reference, Setup
    >>> from adapt.rotor import Rotor
    >>> rotor = Rotor("tail rotor", ("1", "2"), 1980.0, (), (), (), ())
    >>> tape = Reference("photocell", 135.0, "1", ahead_deg=10.0, edge="leading", width_deg=6.0)
    >>> pulse_deg(Setup("one", "left", "up", True, tape), rotor)  # 135 - 10 - 3
    122.0
    """
    reference = setup.reference
    half = {"leading": 0.5, "centre": 0.0, "trailing": -0.5}[reference.answers_to]
    psi = _psi_deg(rotor)[rotor.blades.index(reference.blade)]
    edge = reference.ahead_deg + half * reference.width_deg
    return (along(setup, reference.angle_deg) + psi - edge) % 360.0 % 360.0


def blade_angles_at_pulse(setup: Setup, rotor: Rotor) -> tuple[float, ...]:
    """Return where each blade stands when the pulse comes [deg clockwise as seen], (blade,).

    >>> from adapt.balancing.setup import Reference, Setup
    >>> from adapt.rotor import Rotor
    >>> rotor = Rotor("tail rotor", ("1", "2"), 1980.0, (), (), (), ())
    >>> tape = Reference("photocell", 135.0, "1", edge="centre")
    >>> blade_angles_at_pulse(Setup("one", "left", "up", True, tape), rotor)
    (135.0, 315.0)
    """
    first = pulse_deg(setup, rotor)
    return tuple(along(setup, first - psi) for psi in _psi_deg(rotor))


def turned_deg(angle: float) -> float:
    """Return an angle as a turn from -180 up to and with 180 [deg].

    >>> turned_deg(270.0), turned_deg(180.0), turned_deg(-180.0)
    (-90.0, 180.0, 180.0)
    """
    return 180.0 - (180.0 - angle) % 360.0


def _psi_deg(rotor: Rotor) -> list[float]:
    """Return the passing lag of each blade [deg], as exact as the rotor file has it."""
    if rotor.azimuth_deg is not None:
        return list(rotor.azimuth_deg)
    return [360.0 * b / len(rotor.blades) for b in range(len(rotor.blades))]
