"""The effects of a paper chart from points plotted on it: exact, oblique, and how sure."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapt.balancing.paper.fitting import EXPECTED_SHARE, amounts_said, fit_chart
from adapt.balancing.paper.points import PlottedChart, PlottedPoint
from adapt.problems import CannotBeMet
from tests.balancing.plotted import around, plotted, rotor_of

angles = st.floats(0.0, 2 * np.pi)
sizes = st.floats(1e-4, 1e3)


@given(angles, sizes, st.integers(1, 2), st.sampled_from([3, 4, 5, 7]))
@settings(max_examples=60, deadline=None)
def test_one_adjuster_on_two_oblique_blades_is_found_exactly(
    angle: float, size: float, order: int, blades: int
) -> None:
    rotor = rotor_of(blades, 1, order)
    if order == 2 and blades == 4:
        return  # blades A and B then push along one line
    effects = np.array([size * np.exp(1j * angle)])
    axes = [("A", "weight 1"), ("B", "weight 1")]
    fit = fit_chart(rotor, plotted(rotor, effects, axes, around(3)))
    assert abs(fit.effects[0] - effects[0]) < 1e-9 * size
    assert np.max(np.abs(fit.equations.reading + fit.equations.sums @ fit.effects)) < 1e-9


@given(angles, st.floats(0.3, 2.8), sizes, sizes)
@settings(max_examples=60, deadline=None)
def test_two_adjusters_on_one_blade_are_found_exactly(
    angle: float, apart: float, first: float, second: float
) -> None:
    rotor = rotor_of(2, 2)
    effects = np.array([first * np.exp(1j * angle), second * np.exp(1j * (angle + apart))])
    axes = [("A", "weight 1"), ("A", "weight 2")]
    fit = fit_chart(rotor, plotted(rotor, effects, axes, around(4)))
    assert np.max(np.abs(fit.effects / effects - 1.0)) < 1e-7


def test_one_adjuster_needs_one_point_and_then_nothing_checks_it() -> None:
    rotor = rotor_of(3, 1)
    axes = [("A", "weight 1"), ("B", "weight 1")]
    fit = fit_chart(rotor, plotted(rotor, np.array([0.2j]), axes, around(1)))
    assert abs(fit.effects[0] - 0.2j) < 1e-12
    assert fit.spare == 0
    assert fit.share_of_points is None
    assert fit.sd[0] > 0.0


def test_the_stated_sd_holds_what_a_ruler_does() -> None:
    rng = np.random.default_rng(4)
    rotor = rotor_of(2, 2)
    effects = np.array([0.02 + 0.01j, -0.012 + 0.024j])
    axes = [("A", "weight 1"), ("A", "weight 2")]
    squares = []
    for _ in range(400):
        chart = plotted(rotor, effects, axes, around(5, 0.3), rng, share=EXPECTED_SHARE)
        fit = fit_chart(rotor, chart)
        off = fit.effects - effects
        parts = np.concatenate([off.real, off.imag])
        squares.append(parts @ np.linalg.solve(fit.covariance, parts) / len(parts))
    # An F-like mean: somewhat over 1 with the degrees of freedom that there are; plotting error,
    # counted in beside the amounts, is not in these points.
    assert 0.6 < np.mean(squares) < 1.3


def test_the_amounts_that_the_fitted_chart_gives_bring_each_reading_to_nothing() -> None:
    rng = np.random.default_rng(1)
    rotor = rotor_of(3, 1)
    axes = [("A", "weight 1"), ("B", "weight 1")]
    chart = plotted(rotor, np.array([0.1 - 0.2j]), axes, around(5), rng)
    fit = fit_chart(rotor, chart)
    phasors = np.exp(1j * rotor.psi[:2])
    for point, said in zip(chart.points, amounts_said(fit.equations, fit.effects), strict=True):
        assert abs(point.reading + fit.effects[0] * (said @ phasors)) < 1e-12


def test_an_axis_that_was_not_read_stays_out() -> None:
    rotor = rotor_of(3, 1)
    effect = 0.3 * np.exp(0.4j)
    points = [
        PlottedPoint(str(i), -effect * 5.0 * np.exp(1j * psi), {(blade, "weight 1"): 5.0})
        for i, (blade, psi) in enumerate(zip(rotor.blades, rotor.psi, strict=True))
    ]
    fit = fit_chart(rotor, PlottedChart("bearing", "full speed", tuple(points)))
    assert abs(fit.effects[0] - effect) < 1e-12
    assert np.isnan(amounts_said(fit.equations, fit.effects)[0, 1])


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ([1.0 + 1j], "needs at least; plot more"),
        ([1.0 + 1j, 2.0 + 2j, -1.0 - 1j], "about a quarter turn"),
    ],
)
def test_points_that_do_not_tell_the_effects_are_refused(
    readings: list[complex], said: str
) -> None:
    rotor = rotor_of(2, 2)
    axes = [("A", "weight 1"), ("A", "weight 2")]
    chart = plotted(rotor, np.array([0.02, 0.01j]), axes, readings)
    with pytest.raises(CannotBeMet, match=said):
        fit_chart(rotor, chart)


@pytest.mark.parametrize(
    ("reading", "amount", "said"), [(0.1j, 0.0, "all amounts are 0"), (0j, 3.0, "all readings are")]
)
def test_points_that_are_all_nothing_are_refused(
    reading: complex, amount: float, said: str
) -> None:
    points = (PlottedPoint("1", reading, {("A", "weight 1"): amount}),) * 2
    with pytest.raises(CannotBeMet, match=said):
        fit_chart(rotor_of(3, 1), PlottedChart("bearing", "full speed", points))
