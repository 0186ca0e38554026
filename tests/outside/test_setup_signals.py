"""Turns between set-ups against phases measured on simulated signals.

Outside: the pulse train and the vibration are made as signals in time, in plain x and y of a fixed
frame; phases are taken by least squares (numpy) against the pulses, as an instrument does. Nothing
of the package's geometry is used to make them.
"""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest

from adapt.balancing.setup import Mount, Reference, Setup, turns_between
from adapt.phasor import to_complex
from adapt.rotor import Regime, Rotor, Sensor

AZIMUTH = (0.0, 80.0, 180.0, 290.0)
BLADES = ("A", "B", "C", "D")
PERIOD = 0.25  # [s]
TURNS = 3
TIME = np.linspace(0.0, TURNS * PERIOD, 30_001)[:-1]
AMPLITUDE, PHASE_DEG = 0.3, 213.0

EDGES = (("leading", False), ("trailing", False), ("centre", False),
         ("leading", True), ("trailing", True))  # fmt: skip


def rotor(order: int, phase: str) -> Rotor:
    sensor = Sensor("cabin lateral", "ips", phase=phase, order=order)
    radial = Sensor("mast radial", "ips", phase=phase)
    sensors = (sensor, radial)
    return Rotor("main rotor", BLADES, 240.0, sensors, (Regime("hover"),), (), (), None, AZIMUTH)


def world(clock_deg: float, side: str) -> float:
    """Angle [deg] anticlockwise from x as seen from above, of a place told clockwise from 12.

    From below left and right are exchanged.
    """
    return 90.0 - clock_deg if side == "above" else 90.0 + clock_deg


def first_blade(way: int) -> np.ndarray:
    """Angle [deg] of the first blade in the fixed frame; way +1 turns anticlockwise from above."""
    return 37.0 + way * 360.0 * TIME / PERIOD


def pulse_time(way: int, setup: Setup) -> float:
    """Time [s] of a pulse, from what the pickup sees: tape under it or not."""
    r = setup.reference
    pickup = world(r.angle_deg, setup.seen_from)
    blade = first_blade(way) - way * AZIMUTH[BLADES.index(r.blade)]
    tape = blade + way * r.ahead_deg
    away = way * ((tape - pickup + 180.0) % 360.0 - 180.0)  # rises with time whichever way
    half = r.width_deg / 2.0
    seen = np.abs(away) < half
    start = int(np.flatnonzero(~seen[:-1] & seen[1:])[0])
    end = start + 1 + int(np.flatnonzero(seen[start + 1 : -1] & ~seen[start + 2 :])[0])

    def when(at: int, edge: float) -> float:
        low, high = away[at], away[at + 1]
        return float(TIME[at] + (edge - low) / (high - low) * (TIME[1] - TIME[0]))

    comes, goes = when(start, -half), when(end, half)
    # A magnetic pickup gives its first lobe as metal comes and one of the other sign as it goes:
    # with the wires swapped the lobe that the instrument answers to is the other one.
    if r.edge == "centre":
        return (comes + goes) / 2.0
    return comes if (r.edge == "leading") != r.wires_swapped else goes


def shown_phase(way: int, setup: Setup, sensor: str, order: int) -> float:
    """Phase [deg] that the instrument shows, by least squares against the pulse."""
    mount = setup.mount(sensor)
    assert mount is not None
    late = mount.lag_deg / 360.0 * PERIOD / order  # [s]
    t = TIME - late
    if mount.angle_deg is None:
        signal = AMPLITUDE * np.cos(2 * np.pi * order * t / PERIOD - np.deg2rad(PHASE_DEG))
        signal *= 1.0 if mount.positive == "left" else -1.0
    else:
        whirl = np.deg2rad(PHASE_DEG + way * 360.0 * t / PERIOD)  # forward, a circle
        motion = AMPLITUDE * np.stack([np.cos(whirl), np.sin(whirl)])
        at = np.deg2rad(world(mount.angle_deg, setup.seen_from))
        signal = np.cos(at) * motion[0] + np.sin(at) * motion[1]
        signal *= 1.0 if mount.positive == "outwards" else -1.0
    signal *= -1.0 if mount.reversed else 1.0
    angle = 2 * np.pi * order * (TIME - pulse_time(way, setup)) / PERIOD
    basis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    c, s = np.linalg.lstsq(basis, signal, rcond=None)[0]
    assert np.hypot(c, s) == pytest.approx(AMPLITUDE, rel=1e-6)
    lag = float(np.rad2deg(np.arctan2(s, c)))
    return lag if mount.phase == "lag" else -lag


def one(role: str, way: int, side: str, edge: str, swapped: bool, phase: str, other: bool,
        angle: float = 100.0) -> Setup:  # fmt: skip
    """One set-up; here and chart differ in every place too."""
    here = role == "here"
    kind = "magnetic" if swapped else "photocell"
    reference = (
        Reference(kind, 135.0, "B", 12.0, edge, 9.0, swapped)
        if here
        else Reference(kind, 250.0, "D", -31.0, edge, 20.0, swapped)
    )
    mounts = (
        Mount("cabin lateral", "floor", "right" if other else "left", None, phase,
              14.0 if here else -5.0, reversed=here),
        Mount("mast radial", "collar", "inwards" if other else "outwards", angle, phase),
    )  # fmt: skip
    clockwise = (way == -1) == (side == "above")
    return Setup(role, side, "nose", clockwise, reference, mounts, f"{role}.toml")


CASES = list(itertools.product(("above", "below"), EDGES, ("lag", "lead"), (False, True)))


@cache
def measured(role: str, way: int, case: int, order: int) -> float:
    side, (edge, swapped), phase, other = CASES[case]
    setup = one(role, way, side, edge, swapped, phase, other)
    return shown_phase(way, setup, "cabin lateral", order)


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("way", [1, -1])
def test_turned_readings_are_what_the_other_set_up_measures(way: int, order: int) -> None:
    for a, b in itertools.product(range(len(CASES)), repeat=2):
        here = one("here", way, CASES[a][0], *CASES[a][1], *CASES[a][2:])
        chart = one("chart", way, CASES[b][0], *CASES[b][1], *CASES[b][2:])
        turn = turns_between(rotor(order, CASES[a][2]), here, chart)["cabin lateral"]
        shown = to_complex(AMPLITUDE, measured("here", way, a, order))
        wanted = to_complex(AMPLITUDE, measured("chart", way, b, order))
        assert abs(turn(shown) - wanted) < 1e-4 * AMPLITUDE, (CASES[a], CASES[b])


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("sides", list(itertools.product(("above", "below"), repeat=2)))
@pytest.mark.parametrize("moved", [0.0, 90.0, 180.0, 217.0])
@pytest.mark.parametrize("opposite", [False, True])
def test_a_sensor_moved_round_a_circular_whirl_reads_what_the_turn_says(
    way: int, sides: tuple[str, str], moved: float, opposite: bool
) -> None:
    here = one("here", way, sides[0], "leading", False, "lead", False, 100.0)
    chart = one("chart", way, sides[1], "trailing", False, "lag", opposite, 100.0 + moved)
    turn = turns_between(rotor(1, "lead"), here, chart)["mast radial"]
    shown = to_complex(AMPLITUDE, shown_phase(way, here, "mast radial", 1))
    wanted = to_complex(AMPLITUDE, shown_phase(way, chart, "mast radial", 1))
    assert abs(turn(shown) - wanted) < 1e-4 * AMPLITUDE
