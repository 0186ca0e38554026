"""Moved references and sensors: how far phases turned, and what became of what was learned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import exp
from typing import Any

from adapt.coefficients import Coefficients
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.wording import NOTHING, percent

__all__ = ["frames_blocks"]

MOST_EVENTS = 25
REACH = 1.96  # sds of a 95 % interval
SURE = 0.9  # probability at which a moved sensor is said to stand in its place, or elsewhere


def frames_blocks(learned: Coefficients) -> Iterable[Block]:
    """Yield what was found of each moved reference and sensor; nothing when there was none."""
    if not learned.references:
        return
    shown = learned.references[:MOST_EVENTS]
    yield Heading("Moved references and sensors")
    yield table(
        [
            "Rotor",
            "Job",
            "After run",
            "Moved",
            ">More lag [deg]",
            ">95 %",
            "What was learned before",
        ],
        [
            (
                str(row["rotor"]),
                str(row["job"]),
                str(row["after_run"]),
                "reference" if row["sensor"] is None else str(row["sensor"]),
                *_angle(row),
                _outcome(row),
            )
            for row in shown
        ],
    )
    if len(shown) < len(learned.references):
        yield Line(f"... and {len(learned.references) - len(shown)} more; --json lists them all.")
    yield Line(
        "A reference turns all sensors (degrees of the shaft), a sensor its own readings. The "
        "coefficients are those of each rotor as it reads now."
    )


def _angle(row: Mapping[str, Any]) -> tuple[str, str]:
    """Return the angle and its interval; of a sensor fitted elsewhere there is none."""
    angle, sd = row["angle_deg"], row["sd_deg"]
    if angle is None or (row["sensor"] is not None and not row["known"]):
        return NOTHING, NOTHING
    decimals = 1 if sd < 5.0 else 0
    low, high = angle - REACH * sd, angle + REACH * sd
    return f"{angle:+.{decimals}f}", f"{low:+.{decimals}f} to {high:+.{decimals}f}"


def _outcome(row: Mapping[str, Any]) -> str:
    """Return what became of what was learned before, in words."""
    place = row.get("same_place")
    if place is None:
        return "kept, turned" if row["known"] else "angle not known: learned anew"
    if row["known"]:
        low, high = (row["gain"] * exp(s * REACH * row["gain_sd"]) for s in (-1.0, 1.0))
        return (
            f"kept: in its place ({percent(place)}), gain {row['gain']:.2f} "
            f"({low:.2f} to {high:.2f})"
        )
    if place < 1.0 - SURE:
        return f"learned anew: fitted elsewhere ({percent(1.0 - place)})"
    return f"learned anew: in its place or not is open ({percent(place)})"
