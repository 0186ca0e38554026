"""Pictures show what they are given, where it belongs, and say it in words too."""

from __future__ import annotations

import cmath
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from matplotlib.figure import Figure

from adapt.planning.plan import Move, Plan
from adapt.reports.layout import Picture
from adapt.reports.pictures.clock import Face, draw_face, own_reading
from adapt.reports.pictures.drawing import OVER, WELL, as_png, as_svg, empty_axes, sheet
from adapt.reports.pictures.readings import Shift, readings_picture
from adapt.reports.pictures.rotor_plan import rotor_plan
from adapt.reports.pictures.track import Heights, track_picture
from adapt.reports.pictures.tradeoff import tradeoff_picture
from adapt.rotor import Rotor, Sensor


def at_clock(size: float, hours: float) -> complex:
    """Return a reading (lag) of a clock angle."""
    return cmath.rect(size, math.radians(30.0 * hours))


@pytest.mark.parametrize(
    ("hours", "x", "y"), [(12, 0.0, 1.0), (3, 1.0, 0.0), (6, 0.0, -1.0), (9, -1.0, 0.0)]
)
def test_hours_go_clockwise_from_the_top(hours: float, x: float, y: float) -> None:
    face = Face(5.0, 7.0, 2.0, 0.4)
    assert face.place(at_clock(0.4, hours)) == pytest.approx((5.0 + 2.0 * x, 7.0 + 2.0 * y))
    assert face.place(at_clock(0.2, hours)) == pytest.approx((5.0 + x, 7.0 + y))
    assert face.turned(1.0, 30.0 * hours) == pytest.approx((5.0 + 2.0 * x, 7.0 + 2.0 * y))


def test_a_sensor_that_reports_lead_is_shown_as_its_instrument_shows_it() -> None:
    # 90 deg of lag is 270 deg of lead: 9:00 on that instrument.
    face = Face(0.0, 0.0, 1.0, 1.0)
    assert face.place(own_reading(at_clock(1.0, 3), "lead")) == pytest.approx((-1.0, 0.0))
    assert face.place(own_reading(at_clock(1.0, 3), "lag")) == pytest.approx((1.0, 0.0))


def marks(figure: Figure) -> list[tuple[str, str, float, float]]:
    """Return marker, colour and place of every single mark of a figure."""
    return [
        (str(line.get_marker()), str(line.get_color()), float(x), float(y))
        for axes in figure.axes
        for line in axes.lines
        if line.get_marker() not in ("None", None, "")
        for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
    ]


def test_every_limit_is_one_ring_and_all_readings_stand_inside_the_rim() -> None:
    figure = sheet(4.0, 4.0)
    face = draw_face(empty_axes(figure, 0, 0, 4, 4), 2.0, 2.0, 1.5, [0.35, 0.1], [0.2, 0.2, 0.3], 3)
    assert face.reach >= 0.35
    rings = [p for p in figure.axes[0].patches if p.get_linewidth() == 1.5]
    assert sorted(p.radius / 1.5 * face.reach for p in rings) == pytest.approx([0.2, 0.3])
    words = [t.get_text() for t in figure.axes[0].texts]
    assert [w for w in words if w.startswith("limit")] == ["limit 0.2", "limit 0.3"]
    assert [w for w in words if w.isdecimal() and int(w) <= 12][:12] == [
        "12", *(str(h) for h in range(1, 12))
    ]  # fmt: skip


def test_readings_over_their_limit_are_told_by_mark_colour_and_words() -> None:
    shifts = [
        Shift("hover", at_clock(0.4, 12), at_clock(0.1, 12), 0.2),
        Shift("120 kt", at_clock(0.1, 6), at_clock(0.3, 3), 0.2),
        Shift("descent", None, at_clock(0.1, 9), None),
    ]
    picture = readings_picture(Sensor("nose", "ips"), shifts, "run 1", "predicted")
    assert picture is not None
    drawn = marks(picture.draw())
    inside = [m for m in drawn if m[0] == "o" and m[1] == WELL]
    over = [m for m in drawn if m[0] == "X" and m[1] == OVER]
    # Beside those of the legend.
    assert (len(inside), len(over)) == (3, 2)
    assert "120 kt: 0.100 @ 6:00 > 0.300 @ 3:00, limit 0.200, over it" in picture.says
    assert "descent: - > 0.100 @ 9:00, no limit" in picture.says
    assert picture.says.count("over it") == 1


def test_a_sensor_that_was_not_read_has_no_picture(rotor: Rotor) -> None:
    nothing = [Shift("hover", None, None, 0.2)]
    assert readings_picture(rotor.sensors[0], nothing, "a", "b") is None
    assert track_picture(rotor.blades, "mm", [Heights("hover", {}, {}, 20.0)], "a", "b") is None


def test_heights_stand_at_their_regimes_and_a_wide_spread_is_marked() -> None:
    heights = [
        Heights("hover", {"A": 10.0, "B": -15.0}, {"A": 4.0, "B": -4.0}, 20.0),
        Heights("120 kt", {}, {"A": 3.0, "B": -2.0}, None),
    ]
    picture = track_picture(("A", "B"), "mm", heights, "run 1", "predicted")
    assert picture is not None
    before, after = picture.draw().axes
    lines = {str(line.get_label()): line for line in after.lines}
    assert list(lines["A"].get_ydata()) == [4.0, 3.0]
    assert [line.get_ydata()[0] for line in before.lines if line.get_label() == "B"] == [-15.0]
    wide = [x for x in before.lines if x.get_color() == OVER and x.get_linewidth() == 5.0]
    assert [list(x.get_ydata()) for x in wide] == [[-15.0, 10.0]]
    assert not [x for x in after.lines if x.get_color() == OVER and x.get_linewidth() == 5.0]
    assert "hover: A +10.0, B -15.0 > A +4.0, B -4.0, limit of the spread 20.0" in picture.says


def test_moves_stand_on_their_blades_in_passing_order(rotor: Rotor) -> None:
    moves = [Move("B", "hub weight", 40.0), Move("D", "trim tab", -1.5)]
    picture = rotor_plan(rotor, moves)
    figure = picture.draw()
    drawn = marks(figure)
    (hub,) = [m for m in drawn if m[0] == "o"]
    (tab,) = [m for m in drawn if m[0] == "s"]
    middle_x, middle_y = (float(v) / 2 for v in figure.get_size_inches())
    # Of four blades the second points to the right, the fourth to the left.
    assert hub[2] > middle_x
    assert hub[3] == pytest.approx(middle_y)
    assert tab[2] < middle_x
    faces = {str(x.get_marker()): x.get_markerfacecolor() for x in figure.axes[0].lines}
    assert (faces["o"], faces["s"]) == (WELL, "white")  # plus filled, minus open
    words = [t.get_text() for t in figure.axes[0].texts]
    assert words[words.index("B") + 1] == "hub weight +40 g"
    assert words[words.index("D") + 1] == "trim tab -1.5 deg"
    assert "blade B: hub weight +40 g; blade D: trim tab -1.5 deg" in picture.says


def test_the_trade_off_marks_what_is_proven_and_what_is_over(plan: Plan) -> None:
    steps = (
        plan.tradeoff[0],
        replace(plan.tradeoff[1], proven=False),
        replace(plan.tradeoff[1], moves=3, worst_ratio=math.inf),
    )
    picture = tradeoff_picture(replace(plan, tradeoff=steps))
    assert picture is not None
    lines = [x for x in picture.draw().axes[0].lines if x.get_marker() in ("X", "o")]
    assert [(x.get_marker(), x.get_xdata()[0], x.get_ydata()[0]) for x in lines] == [
        ("X", 1, 1.4), ("o", 2, 0.62)
    ]  # fmt: skip
    assert lines[1].get_markerfacecolor() == "white"
    assert "2 moves: worst ratio 0.62, chance 92 %, best found" in picture.says
    assert tradeoff_picture(replace(plan, tradeoff=steps[:1])) is None


def test_names_of_all_kinds_are_drawn_as_they_are(rotor: Rotor) -> None:
    odd = "$x_1$ <b>&\u202e left " + "long " * 20
    sensor = Sensor(odd, "ips")
    picture = readings_picture(sensor, [Shift(odd, 0.1 + 0j, None, 0.2)], odd, odd)
    assert picture is not None
    ElementTree.fromstring(as_svg(picture))
    assert as_png(picture)[:4] == b"\x89PNG"


def test_threads_draw_side_by_side_and_the_same_picture_is_the_same_bytes(rotor: Rotor) -> None:
    def drawn(k: int) -> Picture:
        reading = at_clock(0.1 + 0.01 * (k % 3), k)
        picture = readings_picture(
            rotor.sensors[0], [Shift("hover", reading, 2 * reading, 0.2)], "run 1", "run 2"
        )
        assert picture is not None
        return picture

    alone = [as_svg(drawn(k)) for k in range(6)]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda k: as_svg(drawn(k)), range(6)))
    assert together == alone
    assert len(set(alone)) == 6
