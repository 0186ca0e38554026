"""Amplitude-only balancing against its geometric construction, solved by scipy.optimize.

Construction (textbook, from memory): with the reading without weight of length A along the real
axis, a trial weight of amount m at the angle p reads the length a where the tip of the effect's
vector, turned back by p, stands on a circle of radius a / m about -A exp(-ip) / m. Circles of all
runs meet in the effect of one unit in the first hole; the correction is minus A over it.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq, root

from adapt.balancing.trial.amplitudes import fit_amplitudes

RUNS = [
    ((8.0, 20.0), (8.0, 140.0), (8.0, 260.0)),
    ((5.0, 0.0), (9.0, 100.0), (7.0, 215.0)),
    ((12.0, 45.0), (12.0, 135.0), (3.0, 300.0)),
]


def circles(first: float, lengths, places):
    """Return centre and radius of each run's circle."""
    return [
        (-first * np.exp(-1j * np.deg2rad(deg)) / amount, length / amount)
        for length, (amount, deg) in zip(lengths, places, strict=True)
    ]


def crossings(one, other) -> list[complex]:
    """Return where two circles meet: the points of one, by its angle, that lie on the other."""
    (centre, radius), (away, reach) = one, other

    def off(angle: float) -> float:
        return abs(centre + radius * np.exp(1j * angle) - away) - reach

    grid = np.linspace(0.0, 2.0 * np.pi, 721)
    values = [off(angle) for angle in grid]
    found = [
        brentq(off, grid[k], grid[k + 1], xtol=1e-14)
        for k in range(720)
        if values[k] * values[k + 1] < 0
    ]
    return [complex(centre + radius * np.exp(1j * angle)) for angle in found]


def amplitudes_of(initial: float, effect: complex, places) -> np.ndarray:
    return np.array(
        [abs(initial + effect * amount * np.exp(1j * np.deg2rad(deg))) for amount, deg in places]
    )


@pytest.mark.parametrize("places", RUNS)
@pytest.mark.parametrize("turn", [10.0, 130.0, 250.0])
def test_the_answer_stands_where_three_circles_meet(places, turn):
    initial, effect = 3.2, 0.25 * np.exp(1j * np.deg2rad(turn))
    lengths = amplitudes_of(initial, effect, places)
    one, other, third = circles(initial, lengths, places)
    meets = min(crossings(one, other), key=lambda p: abs(abs(p - third[0]) - third[1]))
    assert abs(abs(meets - third[0]) - third[1]) < 1e-9
    weights = np.array([0, *(m * np.exp(1j * np.deg2rad(d)) for m, d in places)])
    found = fit_amplitudes(np.array([initial, *lengths]), weights, 1e-5)
    assert found.answers[0].correction == pytest.approx(-initial / meets, rel=1e-4)


@pytest.mark.parametrize("places", RUNS)
@pytest.mark.parametrize("turn", [10.0, 130.0, 250.0])
def test_with_two_trial_weights_both_crossings_of_two_circles_are_told(places, turn):
    initial, effect = 3.2, 0.25 * np.exp(1j * np.deg2rad(turn))
    lengths = amplitudes_of(initial, effect, places[:2])
    both = crossings(*circles(initial, lengths, places[:2]))
    assert len(both) == 2
    weights = np.array([0, *(m * np.exp(1j * np.deg2rad(d)) for m, d in places[:2])])
    found = fit_amplitudes(np.array([initial, *lengths]), weights, 1e-5)
    expected = sorted((-initial / c for c in both), key=np.angle)
    told = sorted((a.correction for a in found.answers), key=np.angle)
    assert told == pytest.approx(expected, rel=1e-3)


def test_with_rounded_readings_it_is_the_least_squares_point_that_a_general_solver_finds():
    places = RUNS[1]
    initial, effect = 3.2, 0.25 * np.exp(1.1j)
    read = np.round([initial, *amplitudes_of(initial, effect, places)], 1)
    weights = np.array([0, *(m * np.exp(1j * np.deg2rad(d)) for m, d in places)])

    def slopes(p):
        # Normal equations of the squared misfit, by finite differences of the misfit itself.
        def misfit(q):
            return np.sum((read - np.abs(q[0] + (q[1] + 1j * q[2]) * weights)) ** 2)

        step = 1e-5
        return [(misfit(p + step * e) - misfit(p - step * e)) / (2 * step) for e in np.eye(3)]

    solved = root(slopes, [initial, effect.real, effect.imag], tol=1e-12)
    assert solved.success
    u, c = solved.x[0], complex(solved.x[1], solved.x[2])
    # A small noise makes the Rice law normal: the likelihood's maximum is the least squares.
    found = fit_amplitudes(read, weights, 1e-3)
    assert found.answers[0].correction == pytest.approx(-u / c, rel=1e-4)
