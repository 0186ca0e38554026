"""Coefficients on the clock, over time, and readings as foretold: drawn where they belong."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace
from datetime import datetime
from xml.etree import ElementTree

import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from scipy.stats import chi2

from adapt.reports.layout import Picture
from adapt.reports.pictures.coefficients import RADIUS_95, Known, RegimeEffect, effect_picture
from adapt.reports.pictures.drawing import INK, OVER, WELL, as_svg
from adapt.reports.pictures.foretold import Reading, foretold_picture
from adapt.reports.pictures.over_time import InSet, over_time_picture
from adapt.rotor import Sensor

LAG = Sensor("cabin lateral", "ips")


def at_clock(size: float, hours: float) -> complex:
    """Return an effect (lag) of a clock angle."""
    return cmath.rect(size, math.radians(30.0 * hours))


HOVER = RegimeEffect(
    "hover", Known(at_clock(0.10, 3), 0.02), Known(at_clock(0.08, 3), 0.01),
    Known(at_clock(0.09, 4), 0.004),
)  # fmt: skip


def drawn(picture: Picture | None) -> Figure:
    assert picture is not None
    ElementTree.fromstring(as_svg(picture))  # it can be drawn, and is well formed
    return picture.draw()


def circles(figure: Figure, ink: str) -> list[tuple[tuple[float, float], float, bool]]:
    """Return centre and radius of the circles of an ink, and whether they are dashed."""
    from matplotlib.colors import to_hex

    return [
        (patch.center, patch.radius, patch.get_linestyle() not in ("solid", "-"))
        for axes in figure.axes
        for patch in axes.patches
        if isinstance(patch, Circle) and to_hex(patch.get_edgecolor()) == ink
    ]


def marks(figure: Figure, at: int = 0) -> list[tuple[str, float, float]]:
    return [
        (str(line.get_marker()), float(x), float(y))
        for line in figure.axes[at].lines
        if line.get_marker() not in ("None", None, "")
        for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
    ]


def test_the_circle_holds_95_per_cent_of_a_circular_normal() -> None:
    # |c - m|^2 / s^2 is chi-square of 2 degrees of freedom (scipy.stats).
    assert chi2(2).cdf(RADIUS_95**2) == pytest.approx(0.95, abs=1e-12)


def test_chart_type_and_rotor_stand_at_their_clock_angles_with_their_circles() -> None:
    figure = drawn(effect_picture(LAG, [HOVER], "100 g of hub weight", "MR-1"))
    places = {mark: (x, y) for mark, x, y in reversed(marks(figure))}  # the legend's come last
    (middle, radius, dashed), = circles(figure, WELL)  # fmt: skip
    assert middle == pytest.approx(places["o"])
    assert not dashed
    # The three marks, read back: the scale is that of the rotor's own circle.
    scale = radius / (RADIUS_95 * 0.004)
    chart, type_ = places["s"], places["^"]
    assert chart[1] == pytest.approx(type_[1])  # both at 3 o'clock: at the centre's height
    assert chart[0] - type_[0] == pytest.approx(scale * 0.02)
    centre = (chart[0] - scale * 0.10, chart[1])
    assert math.dist(places["o"], centre) == pytest.approx(scale * 0.09)
    assert places["o"][1] < centre[1]  # 4 o'clock is below 3
    assert circles(figure, OVER) == []  # the chart has no circle


def test_a_lead_sensor_is_shown_as_its_instrument_shows_it() -> None:
    lead = replace(LAG, phase="lead")
    picture = effect_picture(lead, [HOVER], "g of hub weight", "MR-1")
    assert picture is not None
    assert "type 0.080 @ 9:00 within 0.024" in picture.says  # 0.01 times 2.448, worked by hand
    assert "MR-1 0.090 @ 8:00 within 0.010" in picture.says


def test_regimes_without_anything_are_left_out_and_nothing_at_all_is_no_picture() -> None:
    nothing = RegimeEffect("120 kt", None, None, None)
    alone = RegimeEffect("descent", None, Known(at_clock(0.05, 6), 0.01), None)
    assert effect_picture(LAG, [nothing], "g", None) is None
    picture = effect_picture(LAG, [nothing, alone], "g", None)
    assert picture is not None
    assert "120 kt" not in picture.says
    assert "chart" not in picture.says
    assert {mark for mark, _, _ in marks(drawn(picture))} == {"^"}


def in_set(label: str, day: int, amplitude: float, phase: float, withdrawn: bool = False) -> InSet:
    return InSet(
        label, datetime(2026, 5, day), withdrawn, amplitude, amplitude - 0.01, amplitude + 0.01,
        phase, (phase - 10) % 360, (phase - 10) % 360 + 20,
    )  # fmt: skip


def test_sets_stand_in_their_order_with_intervals_and_no_leap_over_twelve() -> None:
    points = [in_set("a", 1, 0.05, 350.0), in_set("b", 11, 0.06, 10.0, withdrawn=True)]
    picture = over_time_picture("cabin lateral, hover", "ips per g", points, 3)
    assert picture is not None
    assert "1 a (2026-05-01): 0.050 @ 11:40, 95 % 0.040-0.060" in picture.says
    assert "2 b (2026-05-11, withdrawn): 0.060 @ 12:20" in picture.says
    figure = drawn(picture)
    (kind, first, low), (gone, second, high) = marks(figure, 0)
    assert (kind, gone) == ("o", "X")
    assert (low, high, second - first) == pytest.approx((0.05, 0.06, 10.0))
    angles = [y for _, _, y in marks(figure, 1)]
    assert angles == pytest.approx([350.0, 370.0])  # 20 deg apart, not 340
    bars = [sorted(line.get_ydata()) for line in figure.axes[1].lines if line.get_color() == INK]
    assert bars[1] == pytest.approx([360.0, 380.0])


def test_sets_of_one_day_stand_side_by_side() -> None:
    points = [in_set(name, 1, 0.05, 90.0) for name in "abc"]
    figure = drawn(over_time_picture("x", "ips per g", points, 3))
    across = [x for _, x, _ in marks(figure, 0)]
    assert across == sorted(set(across))
    assert len(across) == 3


def test_what_no_set_has_is_no_picture_and_any_angle_is_said_to_be_any() -> None:
    nothing = in_set("a", 1, math.nan, math.nan)
    assert over_time_picture("x", "ips", [nothing], 3) is None
    unsure = replace(in_set("b", 2, 0.01, 90.0), low=0.0, phase_low_deg=0.0, phase_high_deg=360.0)
    picture = over_time_picture("x", "ips", [nothing, unsure], 3)
    assert picture is not None
    assert "2 b (2026-05-02): 0.010 @ any" in picture.says
    assert marks(drawn(picture), 1) == []


def test_a_run_is_shown_before_as_foretold_and_as_read() -> None:
    reading = Reading(
        "hover", at_clock(0.3, 12), {"chart": at_clock(0.2, 3), "learned": at_clock(0.1, 6)},
        at_clock(0.1, 6), 0.2,
    )  # fmt: skip
    picture = foretold_picture(LAG, [reading], "2 of J-1")
    assert picture is not None
    assert "before 0.300 @ 12:00, chart 0.200 @ 3:00, learned 0.100 @ 6:00" in picture.says
    assert "read 0.100 @ 6:00" in picture.says
    found = marks(drawn(picture))
    at = {}
    for mark, x, y in found:  # the last of each kind is the legend's
        at.setdefault(mark, (x, y))
    assert at["o"] == pytest.approx(at["."])  # learned and read are the same here
    assert at["s"][0] > at["."][0]  # 3 o'clock is right of 6
    assert at["+"][1] > at["s"][1] > at["."][1]
    assert foretold_picture(LAG, [], "2 of J-1") is None
