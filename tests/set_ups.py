"""A rotor and two of its set-ups as files and as values, for the tests of what turns between."""

from __future__ import annotations

from pathlib import Path

from adapt.balancing.setup import Mount, Reference, Setup
from adapt.rotor import Adjuster, Regime, Rotor, Sensor

HERE = """
[setup]
name = "photocell on the nose"
seen_from = "above"
twelve = "nose"
rotation = "anticlockwise"

[reference]
kind = "photocell"
clock = "12:00"
blade = "A"
edge = "centre"

[[sensors]]
name = "cabin lateral"
place = "cabin floor"
positive = "left"

[[sensors]]
name = "mast radial"
place = "mast collar"
clock = "3:00"
positive = "outwards"
"""

CHART = """
[setup]
name = "chart of the type"
rotor = "main rotor"
seen_from = "below"
twelve = "Nose"
rotation = "clockwise"

[reference]
kind = "magnetic"
angle_deg = 90
seen_from = "above"
blade = "A"
behind_deg = 10
edge = "leading"
width_mm = 10
radius_mm = 180

[[sensors]]
name = "cabin lateral"
place = "cabin floor"
positive = "left"
phase = "lead"
lag_deg = 5

[[sensors]]
name = "mast radial"
place = "Mast collar"
clock = "3:00"
positive = "inwards"
reversed = true
"""


def rotor(blades: int = 4, order: int = 1, phase: str = "lag") -> Rotor:
    """A rotor of evenly spaced blades with a lateral, a radial and a combined reading."""
    return Rotor(
        "main rotor",
        tuple("ABCDEFGH"[:blades]),
        240.0,
        (
            Sensor("cabin lateral", "ips", phase, order, 0.01, 0.01),
            Sensor("mast radial", "ips", phase, order, 0.01, 0.01),
            Sensor("both", "ips", phase, order, combination={"cabin lateral": 0.5,
                                                             "mast radial": -0.5}),
        ),
        (Regime("hover"), Regime("90 kt")),
        (Adjuster("hub weight", "g", 20.0, (0.0, 400.0)),),
        (),
    )  # fmt: skip


def setup(
    name: str = "one",
    angle: float = 0.0,
    blade: str = "A",
    ahead: float = 0.0,
    lateral: Mount | None = None,
    radial: Mount | None = None,
) -> Setup:
    """A set-up of a rotor that turns anticlockwise seen from above, read off the centre."""
    mounts = tuple(m for m in (lateral, radial) if m is not None)
    reference = Reference("photocell", angle, blade, ahead, "centre")
    return Setup(name, "above", "nose", False, reference, mounts, f"{name}.toml")


def written(folder: Path, name: str, text: str) -> Path:
    """Write a file and return its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path
