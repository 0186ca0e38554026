"""The plan report says what to do, what it brings, how sure that is, and what to check."""

from __future__ import annotations

from dataclasses import replace

from adapt.planning.plan import ChannelKey, Move, Plan
from adapt.reports.planning.planned import plan_report
from adapt.reports.show import as_text
from adapt.rotor import Rotor


def text_of(plan: Plan, rotor: Rotor) -> str:
    return as_text(plan_report(plan, rotor, "learned from 9 pairs of this log"))


def line_with(text: str, *words: str) -> str:
    return next(x for x in text.splitlines() if all(w in x for w in words))


def test_it_names_rotor_aircraft_job_run_date_and_known_conditions(plan, rotor) -> None:
    text = text_of(plan, rotor)
    assert line_with(text, "R-07", "AC-3", "J-014")
    assert line_with(text, "run 3", "2025-03-02 14:10", "gross weight 3150")
    assert "wind" not in text
    assert "learned from 9 pairs of this log" in text


def test_each_move_has_blade_signed_amount_with_unit_and_its_sense_in_words(plan, rotor) -> None:
    text = text_of(plan, rotor)
    assert line_with(text, "B", "hub weight", "+40 g", "add 40 g")
    assert line_with(text, "C", "trim tab", "-1.5 deg", "lower")
    assert "bend up (blade flies higher)" in " ".join(text.split())


def test_readings_show_the_clock_of_the_sensors_own_convention(plan, rotor) -> None:
    lines = text_of(plan, rotor).splitlines()
    lateral = lines.index("cabin lateral [ips]")
    vertical = lines.index("cabin vertical [ips]")
    assert "0.400 @  3:00" in lines[lateral + 1]
    assert "0.100 @ 12:00" in lines[lateral + 1]
    assert "0.400 @  9:00" in lines[vertical + 1]


def test_what_was_not_read_and_what_was_read_earlier_is_said(plan, rotor) -> None:
    text = text_of(plan, rotor)
    assert line_with(text, "120 kt", "not read")
    assert line_with(text, "hover (run 2)", "24.0", "11.5", "20.0")


def test_a_plan_that_cannot_be_met_says_so_and_what_stops_it(plan, rotor) -> None:
    stuck = replace(
        plan, feasible=False, proven=False, chance=0.4,
        stopped_by=(ChannelKey("cabin lateral", "hover"), ChannelKey(None, "hover")),
        not_constrained=(ChannelKey("cabin lateral", "120 kt"),),
    )  # fmt: skip
    text = " ".join(text_of(stuck, rotor).split())
    assert "No plan found brings everything inside its limits" in text
    assert "What stops it: cabin lateral in hover and track spread in hover." in text
    assert "cabin lateral in 120 kt" in text
    assert "Not proven" in text


def test_not_proven_shows_the_bound_in_plain_words(plan, rotor) -> None:
    text = text_of(replace(plan, proven=False, lower_bound=1.0), rotor)
    assert "it takes at least 1 move." in text
    smooth = replace(plan, aim="smoothest", proven=False, lower_bound=0.41)
    assert "cannot be below 0.41" in text_of(smooth, rotor)


def test_no_moves_needed_is_said_and_no_checks_are_asked_for(plan, rotor) -> None:
    text = text_of(replace(plan, moves=(), lower_bound=0.0), rotor)
    assert "No move is needed" in text
    assert "Checks that these moves call for" not in text


def test_cautions_stand_under_every_plan(plan, rotor) -> None:
    for one in (plan, replace(plan, moves=()), replace(plan, feasible=False)):
        text = " ".join(text_of(one, rotor).split())
        assert "Rotating blades kill" in text
        assert "not an approval" in text


def test_a_limit_is_never_rounded_away(plan, rotor) -> None:
    tight = replace(plan.readings[0], limit=0.125)
    assert "0.125" in text_of(replace(plan, readings=(tight,)), rotor)


def test_a_large_plan_asks_to_stop_and_inspect(plan, rotor) -> None:
    text = " ".join(text_of(replace(plan, moves=(Move("A", "hub weight", 200.0),)), rotor).split())
    assert "Stop and inspect" in text


def test_one_blade_no_track_and_no_limits_still_print(plan, rotor) -> None:
    bare = replace(plan, track=(), readings=(), tradeoff=(), alternatives=(), notes=(),
                   conditions={}, minutes=None, chance=float("nan"),
                   joint_chance=float("nan"), worst_ratio=float("nan"))  # fmt: skip
    fan = replace(rotor, blades=("B",), track_unit=None)
    text = text_of(bare, fan)
    assert "not known" in text
    assert "nan" not in text.replace("maintenance", "").split()
