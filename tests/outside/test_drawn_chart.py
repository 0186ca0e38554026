"""A drawn chart against linear algebra: numpy.linalg on what the paths of the SVG say.

The lines are taken from the file as two points each, with nothing of the program's own: where two
of them cross must be the reading that the two amounts bring to nothing.
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from paper_case import LINK, WEIGHT, case

from adapt.reports.balancing.paper_page import drawn
from adapt.reports.balancing.paper_words import words_of

MM = 25.4 / 72.0  # of a point, by the definition of CSS and PDF


def crossing(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return where two lines through two points each cross: p + s u = q + t v."""
    u, v = one[1] - one[0], other[1] - other[0]
    s, _ = np.linalg.solve(np.stack([u, -v], axis=1), other[0] - one[0])
    return one[0] + s * u


def paths(svg: str, pattern: str) -> dict[tuple[str, ...], np.ndarray]:
    found = re.findall(rf'<g id="{pattern}">\s*<path d="([^"]*)"', svg)
    return {
        row[:-1]: np.array(re.findall(r"-?[\d.]+ -?[\d.]+(?= *\n)", row[-1] + "\n"))
        for row in found
    }


def points(path: np.ndarray) -> np.ndarray:
    return np.array([[float(v) for v in pair.split()] for pair in path])


@pytest.mark.parametrize("seed", range(6))
def test_lines_of_the_svg_cross_where_the_solution_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    while True:
        mean = np.array([0.001, 0.03]) * rng.uniform(0.3, 2.0, 2)
        mean = mean * np.exp(2j * np.pi * rng.uniform(size=2))
        if abs(math.sin(np.angle(mean[1] / mean[0]))) > 0.35:
            break
    phase, order = ("lag", "lead")[seed % 2], 1 + seed % 3 // 2
    made = case(list(mean), adjusters=(WEIGHT, LINK), blades=5, phase=phase, order=order)
    page = made.page(("C", "hub weight"), ("C", "pitch link"), paper=("a4", "letter")[seed % 2])
    svg = drawn(page, words_of(page, made.rotor, made.coefficients, "2026-03-01"), "svg").decode()
    drawn_lines = {key: points(p) for key, p in paths(svg, r"line-([12])-(-?[\d.]+)").items()}
    rings = {float(key[0]): points(p) for key, p in paths(svg, r"ring-([\d.]+)").items()}
    centre = np.mean([(r.min(axis=0) + r.max(axis=0)) / 2 for r in rings.values()], axis=0)
    per_unit = np.mean([np.ptp(r, axis=0).mean() / 2 / amplitude for amplitude, r in rings.items()])
    for amplitude, ring in rings.items():
        assert np.ptp(ring, axis=0) / 2 == pytest.approx(amplitude * per_unit, rel=1e-5)

    # By definition: lag, blade C of five passes 2 / 5 of a turn later.
    effects = mean * np.exp(2j * np.pi * order * 2 / 5)
    if phase == "lead":
        effects = effects.conj()
    system = np.array([effects.real, effects.imag])
    tried = 0
    for (axis, one), first in drawn_lines.items():
        for (other_axis, other), second in drawn_lines.items():
            if (axis, other_axis) != ("1", "2"):
                continue
            x, y = (crossing(first, second) - centre) / per_unit
            # 12:00 is up, and y grows downwards in an SVG: the real part is -y, the imaginary x.
            solved = np.linalg.solve(system, [y, -x])
            scale = np.array([page.full_scale / abs(e) for e in effects])
            assert np.abs(solved - [float(one), float(other)]) == pytest.approx(
                [0.0, 0.0], abs=1e-3 * scale.min()
            )
            assert np.all(np.abs(solved - [float(one), float(other)]) < 1e-3 * scale)
            tried += 1
    assert tried > 50


def test_effects_read_off_the_svg_are_those_that_were_drawn_to_a_thousandth() -> None:
    mean = [0.0011 * np.exp(0.7j), 0.028 * np.exp(2.1j)]
    made = case(mean, adjusters=(WEIGHT, LINK))
    page = made.page(("A", "hub weight"), ("A", "pitch link"))
    svg = drawn(page, words_of(page, made.rotor, made.coefficients, "2026-03-01"), "svg").decode()
    lines = {key: points(p) for key, p in paths(svg, r"line-([12])-(-?[\d.]+)").items()}
    rim = max((points(p) for p in paths(svg, r"ring-([\d.]+)").values()), key=np.ptp)
    middle = (rim.min(axis=0) + rim.max(axis=0)) / 2
    zero = {axis: lines[axis, "0"] for axis in "12"}
    for axis, other, coefficient in (("1", "2", mean[0]), ("2", "1", mean[1])):
        amount = max((a for k, a in lines if k == axis), key=float)
        # The reading that asks for this amount alone stands on the other axis's line of nothing.
        x, y = crossing(lines[axis, amount], zero[other]) - middle
        reading = complex(-y, x) * page.full_scale / (np.ptp(rim, axis=0).mean() / 2)
        assert -reading / float(amount) == pytest.approx(coefficient, rel=1e-3)
