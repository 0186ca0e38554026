"""Reading a drawn chart back as a technician does, from the paths of its SVG alone.

Knows nothing of coefficients: rings give the scale, rays the clock, lines the amounts.
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from typing import Any

import numpy as np

from adapt.phasor import clock_to_deg

SVG = "{http://www.w3.org/2000/svg}"


def read_back(svg_text: str | bytes) -> dict[str, Any]:
    """Return what is drawn on a chart, in the SVG's own units (points; y grows downwards).

    size: (width, height). centre: (2,). rings: amplitude -> radius. rays: minutes of clock ->
    direction, a unit vector. lines: axis (1 or 2) -> amount -> (2, 2), its two ends. limit: radius
    of the limit ring or None.
    place(amplitude, clock): where a reading stands, (2,). amounts(amplitude, clock): the amounts
    of axes 1 and 2 read off the drawn lines, between the two nearest ones (beyond the last line, by
    the last two). clock: "h:mm", or a phase in degrees of the sensor's own.
    """
    root = ET.fromstring(svg_text)
    paths = {
        group.get("id", ""): points_of(path.get("d", ""))
        for group in root.iter(f"{SVG}g")
        if re.match(r"ring-|ray-|line-|limit$", group.get("id", ""))
        and (path := group.find(f"{SVG}path")) is not None
    }
    circles = {
        name: ((points.min(axis=0) + points.max(axis=0)) / 2, np.ptp(points, axis=0) / 2)
        for name, points in paths.items()
        if name.startswith("ring-") or name == "limit"
    }
    rings = {float(n.removeprefix("ring-")): float(r.mean()) for n, (_, r) in circles.items()
             if n != "limit"}  # fmt: skip
    centre = np.mean([c for c, _ in circles.values()], axis=0)
    rays = {}
    lines: dict[int, dict[float, np.ndarray]] = {1: {}, 2: {}}
    for name, points in paths.items():
        if found := re.fullmatch(r"ray-(\d+)", name):
            along = points[1] - points[0]
            rays[int(found[1])] = along / np.linalg.norm(along)
        if found := re.fullmatch(r"line-([12])-(-?[\d.e-]+)", name):
            lines[int(found[1])][float(found[2])] = points

    def place(amplitude: float, clock: str | float) -> np.ndarray:
        minutes = (clock_to_deg(clock) if isinstance(clock, str) else clock % 360.0) * 2.0
        before = int(minutes // 60) * 60 % 720
        first, second = rays[before], rays[(before + 60) % 720]
        # Between two rays by the angle, as ticks at the rim divide the hour.
        part = (minutes % 60.0) / 60.0
        turn = math.atan2(first[0] * second[1] - first[1] * second[0], first @ second) * part
        x = first[0] * math.cos(turn) - first[1] * math.sin(turn)
        y = first[0] * math.sin(turn) + first[1] * math.cos(turn)
        amplitudes = [0.0, *sorted(rings)]
        radii = [0.0, *(rings[a] for a in sorted(rings))]
        return centre + float(np.interp(amplitude, amplitudes, radii)) * np.array([x, y])

    def amounts(amplitude: float, clock: str | float) -> tuple[float, float]:
        at = place(amplitude, clock)
        return _between(lines[1], at), _between(lines[2], at)

    readings: dict[str, Callable[..., Any]] = {"place": place, "amounts": amounts}
    return {
        "size": tuple(float(v) for v in root.get("viewBox", "").split()[2:]),
        "centre": centre,
        "rings": rings,
        "rays": rays,
        "lines": lines,
        "limit": float(circles["limit"][1].mean()) if "limit" in circles else None,
        **readings,
    }


def points_of(path: str) -> np.ndarray:
    """Return the points that a path goes through, (point, 2); of a curve its ends alone."""
    points = []
    for letter, rest in re.findall(r"([MLC])([^MLCz]*)", path):
        numbers = [float(v) for v in rest.split()]
        points += [numbers[-2:]] if letter == "C" else [numbers]
    return np.array(points)


def _between(lines: dict[float, np.ndarray], at: np.ndarray) -> float:
    """Return the amount at a place, between the two lines nearest to it on either side."""
    amounts = sorted(lines)
    side = np.array([_distance(lines[a], at, lines[amounts[0]]) for a in amounts])
    k = int(np.clip(np.searchsorted(-side if side[0] > side[-1] else side, 0.0), 1, len(side) - 1))
    low, high = side[k - 1], side[k]
    return float(amounts[k - 1] + (amounts[k] - amounts[k - 1]) * (0.0 - low) / (high - low))


def _distance(line: np.ndarray, at: np.ndarray, like: np.ndarray) -> float:
    """Return the signed distance of a place from a line; the sign is that of the line `like`."""
    along = line[1] - line[0]
    along = along / np.linalg.norm(along)
    if along @ (like[1] - like[0]) < 0:
        along = -along
    away = at - line[0]
    return float(along[0] * away[1] - along[1] * away[0])
