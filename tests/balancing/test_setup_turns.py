"""Turns between set-ups: worked out by hand, refusals, and the identities of turns."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from set_ups import CHART, HERE, rotor, setup, written

from adapt.balancing.setup import Mount, Reference, Setup, Turn, read_setup, turns_between
from adapt.balancing.setup.geometry import blade_angles_at_pulse, pulse_deg
from adapt.balancing.setup.mistakes import mistakes_of
from adapt.balancing.setup.turns import reference_turn_deg
from adapt.phasor import phase_deg, to_complex
from adapt.problems import AdaptError, BadInput, CannotBeMet

LATERAL = Mount("cabin lateral", "floor", "left")
RADIAL = Mount("mast radial", "collar", "outwards", 90.0)


def clock(turn: Turn, phase: float) -> float:
    return float(phase_deg(turn(to_complex(0.3, phase))))


def test_files_worked_out_by_hand(tmp_path: Path) -> None:
    # Here blade A stands at 12 o'clock at the pulse. On the chart the pickup is at 3 o'clock from
    # above, that is 270 deg on in the direction of rotation (anticlockwise from above); blade A is
    # 10 deg ahead of the middle of the interrupter, whose leading edge is 1.5915 deg ahead of that.
    here = read_setup(written(tmp_path, "here.toml", HERE), rotor())
    chart = read_setup(written(tmp_path, "chart.toml", CHART), rotor())
    half = np.degrees(10 / 180) / 2
    assert pulse_deg(here, rotor()) == 0.0
    assert pulse_deg(chart, rotor()) == pytest.approx(280.0 - half)
    turns = turns_between(rotor(), here, chart)
    # Lag: 0 - (280 - half) = 80 + half; 5 deg by the instrument; shown as lead.
    assert clock(turns["cabin lateral"], 130.0) == pytest.approx(360.0 - (130.0 + 85.0 + half))
    # 3 o'clock from below is 9 o'clock from above, half way round; inwards; sign changed.
    assert clock(turns["mast radial"], 130.0) == pytest.approx(130.0 + 80.0 + half + 180.0 - 360.0)
    assert not turns["mast radial"].approximate


@pytest.mark.parametrize(
    ("moved", "wanted"),
    [
        # A reading of 4:20; the chart's pickup is a quarter turn on: its pulse comes later.
        ({"angle": 270.0}, 40.0),  # 9 o'clock, anticlockwise from above: 90 deg on
        ({"angle": 90.0}, 220.0),
        ({"blade": "B"}, 40.0),  # B passes a quarter turn later
        ({"ahead": 30.0}, 160.0),  # a tape further ahead passes earlier
    ],
)
def test_each_part_of_the_reference_turns_the_right_way(moved: dict, wanted: float) -> None:
    turns = turns_between(rotor(), setup(), setup("chart", **moved))
    assert clock(turns["cabin lateral"], 130.0) == pytest.approx(wanted)
    twice = turns_between(rotor(order=2), setup(), setup("chart", **moved))
    assert clock(twice["cabin lateral"], 130.0) == pytest.approx((2 * wanted - 130.0) % 360.0)


def test_the_leading_edge_passes_earlier_and_so_shows_more_lag() -> None:
    def edge(which: str) -> Setup:
        return replace(setup(which), reference=Reference("photocell", 0.0, "A", 0.0, which, 8.0))

    turns = turns_between(rotor(), edge("trailing"), edge("leading"))
    assert clock(turns["cabin lateral"], 130.0) == pytest.approx(138.0)
    turns = turns_between(rotor(), edge("centre"), edge("leading"))
    assert clock(turns["cabin lateral"], 130.0) == pytest.approx(134.0)


def test_a_sensor_round_the_shaft_in_the_direction_of_rotation_reads_later() -> None:
    # Anticlockwise from above: from 3 to 12 o'clock is 90 deg on.
    chart = setup("chart", radial=replace(RADIAL, angle_deg=0.0))
    turn = turns_between(rotor(), setup(radial=RADIAL), chart)["mast radial"]
    assert clock(turn, 130.0) == pytest.approx(220.0)
    assert "alike in all directions" in turn.approximate


def test_what_no_turn_makes_good_is_refused_in_words() -> None:
    here = setup(lateral=LATERAL, radial=RADIAL)
    cases = [
        (rotor(), setup("chart", lateral=replace(LATERAL, place="roof"), radial=RADIAL),
         "cabin lateral", "elsewhere on the machine"),
        (rotor(), setup("chart", lateral=replace(LATERAL, positive="up"), radial=RADIAL),
         "cabin lateral", "another direction"),
        (rotor(), setup("chart", lateral=LATERAL), "mast radial", "not said in the set-up 'chart'"),
        (rotor(order=2), setup("chart", lateral=LATERAL, radial=replace(RADIAL, angle_deg=0.0)),
         "mast radial", "order 2"),
    ]  # fmt: skip
    for r, chart, sensor, words in cases:
        turns = turns_between(r, here, chart)
        assert words in turns[sensor].cannot
        assert words in turns["both"].cannot
        with pytest.raises(CannotBeMet, match=words):
            turns[sensor](1j)


def test_a_reading_made_of_others_turns_as_they_do_or_not_at_all() -> None:
    here = setup(lateral=LATERAL, radial=RADIAL)
    alike = setup("chart", angle=90.0, lateral=LATERAL, radial=RADIAL)
    turns = turns_between(rotor(), here, alike)
    assert turns["both"].lag_deg == turns["mast radial"].lag_deg == 90.0
    one = setup("chart", lateral=replace(LATERAL, positive="right"), radial=RADIAL)
    assert "turn differently" in turns_between(rotor(), here, one)["both"].cannot
    lead = [replace(m, phase="lead") for m in (LATERAL, RADIAL)]
    mirrored = turns_between(rotor(), here, setup("chart", lateral=lead[0], radial=lead[1]))
    assert (mirrored["both"].phase_from, mirrored["both"].phase_to) == ("lag", "lead")


def test_set_ups_that_contradict_each_other_are_refused_with_every_reason() -> None:
    chart = replace(setup("chart"), clockwise=True, twelve="tail")
    with pytest.raises(BadInput) as caught:
        turns_between(rotor(), setup(), chart)
    assert len(caught.value.problems) == 2
    assert "the rotor turns one way only" in str(caught.value)
    with pytest.raises(BadInput, match="above or below"):
        turns_between(rotor(), setup(), replace(setup("chart"), seen_from="left"))


def test_the_set_up_here_must_show_what_the_rotor_file_says() -> None:
    here = setup(lateral=replace(LATERAL, phase="lead"))
    with pytest.raises(BadInput, match="what the rotor file says"):
        turns_between(rotor(), here, setup("chart", lateral=LATERAL))


angles = st.floats(-360.0, 360.0)
mounts = st.builds(
    lambda positive, phase, lag, swapped: Mount(
        "cabin lateral", "floor", positive, None, phase, lag, swapped
    ),
    st.sampled_from(["left", "right"]),
    st.sampled_from(["lag", "lead"]),
    angles,
    st.booleans(),
)


@st.composite
def set_ups(draw: st.DrawFn, way: int, phase: str | None = None) -> Setup:
    side = draw(st.sampled_from(["above", "below"]))
    edge = draw(st.sampled_from(["leading", "trailing", "centre"]))
    reference = Reference("photocell", draw(angles), draw(st.sampled_from("ABCD")), draw(angles),
                          edge, draw(st.floats(0.0, 90.0)))  # fmt: skip
    mount = draw(mounts)
    if phase is not None:
        mount = replace(mount, phase=phase)
    clockwise = (way > 0) == (side == "above")
    return Setup(side, side, "nose", clockwise, reference, (mount,), f"{side}.toml")


readings = st.builds(lambda a, p: complex(to_complex(a, p)), st.floats(0.0, 5.0), angles)


@given(st.data(), st.sampled_from([1, -1]), st.sampled_from([1, 2, 3]), readings)
def test_there_and_back_is_where_it_began_and_turns_follow_each_other(
    data: st.DataObject, way: int, order: int, z: complex
) -> None:
    one = data.draw(set_ups(way))
    phase = one.mounts[0].phase
    two, three = data.draw(set_ups(way)), data.draw(set_ups(way))

    def between(a: Setup, b: Setup) -> Turn:
        r = rotor(order=order, phase=a.mounts[0].phase)
        return turns_between(r, a, b)["cabin lateral"]

    there = between(one, two)
    near = 1e-12 * (1.0 + abs(z))
    assert abs(there.back()(there(z)) - z) < near
    assert abs(between(two, one)(there(z)) - z) < near
    assert abs(between(one, one)(z) - z) < near
    through = there.then(between(two, three))
    assert abs(through(z) - between(one, three)(z)) < near
    assert abs(through(z)) == pytest.approx(abs(z))
    assert (through.phase_from, through.phase_to) == (phase, three.mounts[0].phase)


@given(st.data(), st.sampled_from([1, -1]), angles)
def test_the_phase_shown_is_the_turn_added_after_the_mirror(
    data: st.DataObject, way: int, phase: float
) -> None:
    one, two = data.draw(set_ups(way)), data.draw(set_ups(way))
    turn = turns_between(rotor(phase=one.mounts[0].phase), one, two)["cabin lateral"]
    by_hand = turn.shown_deg + (-phase if turn.mirrors else phase)
    assert abs(turn(to_complex(1.0, phase)) - to_complex(1.0, by_hand)) < 1e-9


@given(st.data(), st.sampled_from([1, -1]))
def test_at_the_pulse_the_edge_stands_under_the_pickup(data: st.DataObject, way: int) -> None:
    one = data.draw(set_ups(way))
    r = one.reference
    blade = blade_angles_at_pulse(one, rotor())["ABCD".index(r.blade)]
    on = 1.0 if one.clockwise else -1.0
    edge = {"leading": 0.5, "centre": 0.0, "trailing": -0.5}[r.edge] * r.width_deg
    away = blade + on * (r.ahead_deg + edge) - r.angle_deg
    assert (away + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


def test_turns_that_do_not_meet_do_not_follow_each_other() -> None:
    with pytest.raises(AdaptError, match="ends as it begins"):
        Turn("a", 1).then(Turn("b", 1))
    with pytest.raises(AdaptError, match="ends as it begins"):
        Turn("a", 1, phase_to="lead").then(Turn("a", 1))


def test_a_mistake_turns_readings_by_what_the_set_ups_differ() -> None:
    one = setup(angle=45.0, ahead=10.0)
    found = {m.text.split(",")[0]: m.turn_deg for m in mistakes_of(one, rotor())}
    other = replace(one, reference=replace(one.reference, angle_deg=-45.0))
    assert found["the pickup's place seen from the other side"] == pytest.approx(90.0)
    # Readings of `one` lag more than those of `other` by it.
    assert reference_turn_deg(rotor(), other, one) == pytest.approx(90.0)
    assert found["ahead of the blade for behind it"] == pytest.approx(20.0)
    assert found["blade B for blade A"] == pytest.approx(90.0)
    assert found["blade D for blade A"] == pytest.approx(-90.0)
    assert not mistakes_of(setup(), rotor(blades=1))
