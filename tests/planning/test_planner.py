"""What a plan does in the situations that real jobs bring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_job import Job, coefficients_of, one_run, random_job, with_fitted

import adapt
from adapt.chart import Chart
from adapt.log import History
from adapt.planning.job.hardware import hardware_of
from adapt.planning.job.standing import standing_of
from adapt.planning.plan import ChannelKey, Plan
from adapt.planning.problem.building import build_problem
from adapt.problems import BadInput, CannotBeMet, Problem
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor


def rotor(blades: int = 4, regimes: int = 1, **more: object) -> Rotor:
    """Return a rotor with one sensor, hub weights of 10 g and a limit of 0.2 ips everywhere."""
    return Rotor(
        name="main rotor",
        blades=tuple("ABCDEFG"[:blades]),
        rpm=400.0,
        sensors=(Sensor("lateral", "ips"),),
        regimes=tuple(Regime(name) for name in ("hover", "120 kt", "descent")[:regimes]),
        adjusters=(Adjuster("hub weight", "g", 10.0, (0.0, 200.0), minutes=15.0),),
        limits=(Limit("lateral", 0.2),),
        **more,  # type: ignore[arg-type]
    )


def job(
    reading: complex | list[complex], design: Rotor | None = None, effect: complex = 0.002
) -> Job:
    """Return a job of one run; one gram on blade A changes every reading by `effect`."""
    design = design or rotor()
    readings = np.broadcast_to(np.asarray(reading, complex), (len(design.channels),)).copy()
    adjusters = len(design.adjusters)
    mean = np.full((len(design.channels), adjusters), effect, complex)
    log = with_fitted(
        one_run(design, readings),
        [(b, a.name, 100.0) for b in design.blades for a in design.adjusters],
    )
    return Job(design, log, coefficients_of(design, mean), readings, np.zeros((1, 4)))


def plan(of: Job, **asked: object) -> Plan:
    return adapt.plan(of.rotor, of.coefficients, of.history, "J-1", **asked)  # type: ignore[arg-type]


def add_run(
    history: History, run: str, readings: dict[tuple[str, str], complex], job: str = "J-1"
) -> History:
    rows = pd.DataFrame(
        [(job, run, g, s, v, np.nan, 1) for (s, g), v in readings.items()],
        columns=history.readings.columns,
    )
    runs = pd.DataFrame([("R-1", job, run, pd.Timestamp("2026-01-02"))],
                        columns=history.runs.columns)  # fmt: skip
    return replace(
        history,
        runs=pd.concat([history.runs, runs], ignore_index=True),
        readings=pd.concat([history.readings, rows], ignore_index=True),
    )


def with_moves(history: History, *moves: tuple[str, str, str, float]) -> History:
    table = pd.DataFrame([("J-1", *m) for m in moves], columns=history.moves.columns)
    return replace(history, moves=table)


def with_event(history: History, after: str, kind: str, sensor: str = "") -> History:
    table = pd.DataFrame([("J-1", after, kind, sensor, "")], columns=history.events.columns)
    return replace(history, events=table)


def test_inside_with_room_needs_no_move() -> None:
    found = plan(job(0.05))
    assert found.moves == ()
    assert found.feasible
    assert found.proven
    assert found.lower_bound == 0.0


def test_a_reading_on_one_blade_is_taken_off_with_one_move() -> None:
    found = plan(job(0.3))
    assert [(m.blade, m.adjuster) for m in found.moves] in ([("A", "hub weight")],
                                                            [("C", "hub weight")])  # fmt: skip
    assert abs(found.readings[0].after) < 0.12
    assert found.chance >= 0.9


def test_of_equal_plans_on_an_even_rotor_weight_comes_off_rather_than_on() -> None:
    # 90 g off blade C and 90 g onto blade A do the same; less fitted in all comes first
    found = plan(job(-0.18), aim="smoothest", most_moves=1)
    assert [(m.blade, m.amount) for m in found.moves] == [("C", -90.0)]


def test_what_cannot_be_reached_says_so_and_gives_the_nearest() -> None:
    of = job([1.5, -1.5], rotor(regimes=2))
    found = plan(of, chance=0.0)
    assert not found.feasible
    assert found.proven
    assert set(found.stopped_by) == {ChannelKey("lateral", "hover"),
                                     ChannelKey("lateral", "120 kt")}  # fmt: skip
    assert found.worst_ratio == pytest.approx(plan(of, aim="smoothest").worst_ratio)
    likeliest = plan(of)
    assert not likeliest.feasible
    assert likeliest.chance == pytest.approx(plan(of, aim="likeliest").chance)


def test_moves_after_the_last_run_wait_for_the_next() -> None:
    of = job(0.3)
    of = replace(of, history=with_moves(of.history, ("1", "A", "hub weight", 10.0)))
    with pytest.raises(CannotBeMet, match="next run"):
        plan(of)


@pytest.mark.parametrize("kind", ["hardware changed", "other", "reference moved", "sensor moved"])
def test_an_event_after_the_last_run_waits_for_the_next(kind: str) -> None:
    of = job(0.3)
    of = replace(of, history=with_event(of.history, "1", kind, "lateral"))
    with pytest.raises(CannotBeMet, match=kind):
        plan(of)


def test_a_channel_read_earlier_is_carried_forward_with_its_moves_and_more_doubt() -> None:
    of = job([0.3, 0.25], rotor(regimes=2))
    history = with_moves(of.history, ("1", "A", "hub weight", -50.0))
    history = add_run(history, "2", {("lateral", "hover"): 0.2})
    found = plan(replace(of, history=history), aim="smoothest", most_moves=0)
    carried = found.readings[1]
    assert carried.read_in == "1"
    assert carried.before == pytest.approx(0.25 - 0.1, abs=1e-9)
    assert carried.limit == 0.2
    assert carried.chance is not None
    assert carried.sd > found.readings[0].sd
    assert any("carried forward" in note and "120 kt" in note for note in found.notes)


def test_a_plan_from_an_old_job_says_that_the_rotor_has_later_runs() -> None:
    of = job(0.3)
    history = add_run(of.history, "1", {("lateral", "hover"): 0.1}, job="J-2")
    old = adapt.plan(of.rotor, of.coefficients, history, "J-1")
    assert any("J-2" in note and "later runs" in note for note in old.notes)
    new = adapt.plan(of.rotor, of.coefficients, history, "J-2")
    assert not any("later runs" in note for note in new.notes)


def test_the_stated_sd_holds_what_an_inexact_move_adds() -> None:
    design = replace(rotor(), adjusters=(replace(rotor().adjusters[0], amount_sd=30.0),))
    of = job(0.3, design)
    found = plan(of, aim="smoothest", most_moves=1)
    noise = of.coefficients.noise
    var = 2 * noise.reading_var[0] + noise.run_var[0] + (0.002 * 30.0) ** 2
    assert found.readings[0].sd == pytest.approx(np.sqrt(var / 2))


def test_an_event_between_runs_ends_what_is_carried_forward() -> None:
    of = job([0.3, 0.25], rotor(regimes=2))
    history = add_run(of.history, "2", {("lateral", "hover"): 0.2})
    history = with_event(history, "1", "hardware changed")
    found = plan(replace(of, history=history), aim="smoothest", most_moves=1)
    assert found.not_constrained == (ChannelKey("lateral", "120 kt"),)
    assert found.readings[1].before is None
    assert found.readings[1].change is not None


def test_a_limit_never_read_is_listed_with_its_predicted_change() -> None:
    of = job([0.3, np.nan], rotor(regimes=2))
    found = plan(of)
    assert found.not_constrained == (ChannelKey("lateral", "120 kt"),)
    assert found.readings[1].after is None
    assert abs(found.readings[1].change) == pytest.approx(0.002 * abs(found.moves[0].amount))


def test_a_job_set_aside_shows_its_faults() -> None:
    of = job(0.3)
    fault = Problem("fault", "readings.csv", 7, "clock", "'13:75'", "h:mm", "J-1")
    history = replace(of.history, faults=(fault,), set_aside={"J-1": 1})
    with pytest.raises(BadInput, match="13:75"):
        plan(replace(of, history=history))


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"job": "J-9"}, "J-9"),
        ({"aim": "nicest"}, "nicest"),
        ({"chance": 1.2}, "1.2"),
        ({"chance": float("nan")}, "chance"),
        ({"most_moves": -1}, "-1"),
        ({"limits": "after lunch"}, "after lunch"),
        ({"locked_blades": ["Z"]}, "Z"),
        ({"regimes": ["spin"]}, "spin"),
    ],
)
def test_a_request_that_makes_no_sense_is_bad_input(asked: dict[str, object], said: str) -> None:
    of = job(0.3)
    words = {"job": "J-1", **asked}
    with pytest.raises(BadInput, match=said):
        adapt.plan(of.rotor, of.coefficients, of.history, **words)  # type: ignore[arg-type]


def test_all_that_is_wrong_with_a_request_is_said_at_once() -> None:
    with pytest.raises(BadInput, match=r"nicest.*-1.*Z"):
        plan(job(0.3), aim="nicest", most_moves=-1, locked_blades=["Z"])


def test_an_unknown_fitted_amount_is_assumed_zero_and_named_with_its_move() -> None:
    of = job(0.3)
    found = plan(replace(of, history=with_fitted(of.history, [])))
    assert found.moves[0].amount > 0  # nothing is known to be there to take off
    blade = found.moves[0].blade
    assert any("assumed" in note and f"blade {blade}" in note for note in found.notes)


def test_fitted_outside_its_range_only_moves_towards_it() -> None:
    of = job(0.3)
    history = with_fitted(of.history, [(b, "hub weight", 250.0) for b in "ABCD"])
    found = plan(replace(of, history=history), aim="smoothest", most_moves=2)
    assert found.moves
    assert all(m.amount < 0 for m in found.moves)
    assert any("outside" in note for note in found.notes)


def test_amounts_off_the_grid_keep_their_bounds() -> None:
    of = job(-0.3)
    history = with_fitted(of.history, [(b, "hub weight", 195.0) for b in "ABCD"])
    found = plan(replace(of, history=history), aim="smoothest", most_moves=4)
    for move in found.moves:
        assert 0.0 <= 195.0 + move.amount <= 200.0
        assert move.amount % 10.0 == 0.0


def test_locked_blades_and_adjusters_stay() -> None:
    of = job(0.3)
    found = plan(of, locked_blades=["A", "C"], aim="smoothest")
    assert {m.blade for m in found.moves} <= {"B", "D"}
    nothing = plan(of, locked_adjusters=["hub weight"])
    assert nothing.moves == ()
    assert not nothing.feasible
    assert nothing.proven


def test_no_moves_allowed_gives_no_moves() -> None:
    found = plan(job(0.3), most_moves=0)
    assert found.moves == ()
    assert not found.feasible
    assert len(found.tradeoff) == 1


@pytest.mark.parametrize("blades", [1, 2, 3])
def test_few_blades(blades: int) -> None:
    found = plan(job(0.25, rotor(blades=blades)))
    assert found.feasible
    assert len(found.moves) == 1


def test_one_blade_with_track_has_no_spread() -> None:
    design = replace(rotor(blades=1), track_unit="mm", limits=(Limit("lateral", 0.2),
                                                              Limit(None, 5.0)))  # fmt: skip
    of = job(0.3, design)
    log = with_fitted(one_run(design, of.readings, np.zeros((1, 1))), [("A", "hub weight", 150.0)])
    found = plan(replace(of, history=log))
    assert found.feasible
    assert found.track[0].after == 0.0


def test_time_that_ends_first_gives_a_plan_that_keeps_bounds_and_no_proof() -> None:
    of = random_job(np.random.default_rng(3), blades=5, adjusters=3, regimes=3, sensors=3)
    found = adapt.plan(of.rotor, of.coefficients, of.history, "J-1", seconds=0.0)
    assert not found.proven
    assert all(np.isfinite(m.amount) for m in found.moves)


def test_tradeoff_never_rises_and_alternatives_move_other_hardware() -> None:
    of = random_job(np.random.default_rng(11), blades=4, adjusters=3, regimes=2, sensors=2,
                    sum_range=None)  # fmt: skip
    found = adapt.plan(of.rotor, of.coefficients, of.history, "J-1", aim="smoothest", most_moves=3)
    ratios = [t.worst_ratio for t in found.tradeoff]
    assert ratios == sorted(ratios, reverse=True)
    assert [t.moves for t in found.tradeoff] == [0, 1, 2, 3]
    best = {(m.blade, m.adjuster) for m in found.moves}
    for other in found.alternatives:
        assert {(m.blade, m.adjuster) for m in other.moves} != best
        assert other.worst_ratio <= 1.1 * found.worst_ratio + 1e-9


def test_a_chart_without_a_row_for_a_limited_reading_is_bad_input() -> None:
    of = job([0.3, 0.3], rotor(regimes=2))
    mean = np.array([[0.002], [np.nan]], complex)
    chart = Chart(mean, 0.25 * np.abs(mean), np.zeros((2, 1)), np.zeros((2, 1)))
    of = replace(of, coefficients=coefficients_of(of.rotor, mean, chart=chart))
    with pytest.raises(BadInput, match=r"hub weight on lateral in 120 kt"):
        plan(of)


def test_without_a_chart_an_adjuster_never_moved_is_left_out() -> None:
    design = replace(
        rotor(), adjusters=(*rotor().adjusters, Adjuster("trim tab", "deg", 1.0, (-5.0, 5.0)))
    )
    of = job(0.3, design)
    mean = np.array([[0.002, np.nan]], complex)
    found = plan(replace(of, coefficients=coefficients_of(design, mean)))
    assert found.feasible
    assert {m.adjuster for m in found.moves} == {"hub weight"}
    assert any("trim tab" in note for note in found.notes)


def test_quickest_needs_minutes() -> None:
    design = replace(rotor(), adjusters=(replace(rotor().adjusters[0], minutes=None),))
    with pytest.raises(BadInput, match="minutes"):
        plan(job(0.3, design), aim="quickest")


def test_coefficients_older_than_a_moved_reference_are_refused() -> None:
    of = job(0.3)
    coefficients = replace(of.coefficients, rotors={"R-1": of.coefficients.unseen})
    history = with_event(add_run(of.history, "2", {("lateral", "hover"): 0.3j}), "1",
                         "reference moved")  # fmt: skip
    with pytest.raises(BadInput, match="moved"):
        plan(replace(of, coefficients=coefficients, history=history))
    # By how far it was turned is not known: there is a plan, and it promises little.
    learned = adapt.update(coefficients, of.rotor, history)
    found = plan(replace(of, coefficients=learned, history=history))
    assert found.moves
    assert not found.feasible
    assert 0.1 < found.chance < 0.9


def test_undoing_a_move_is_surer_than_repeating_it() -> None:
    # the effect is poorly known, and a move of +50 g was made between two runs
    of = job(0.1)
    cov = np.full((1, 1, 1), 2 * 0.001**2, complex)
    coefficients = coefficients_of(of.rotor, np.array([[0.002]]), cov)
    history = with_moves(of.history, ("1", "A", "hub weight", 50.0))
    history = add_run(history, "2", {("lateral", "hover"): 0.2})
    standing = standing_of(of.rotor, coefficients, history, "J-1")
    hardware = hardware_of(of.rotor, history, "J-1")
    problem, _ = build_problem(of.rotor, coefficients, standing, hardware)
    undo, rest, repeat = problem.variances(np.array([[-5, 0, 0, 0], [0] * 4, [5, 0, 0, 0]]))[:, 0]
    assert undo < repeat
    # undone, the rotor is back where run 1 read it: only the level's own doubt is left
    own = 2 * 0.015**2
    assert undo * 0.2**2 <= own + 2 * own + own + 1e-9
    assert rest < repeat


def test_a_limit_that_only_must_be_inside_and_cannot_be_is_counted_like_the_others() -> None:
    design = replace(
        rotor(regimes=2),
        limits=(Limit("lateral", 0.2, "hover"), Limit("lateral", 0.2, "120 kt", only_inside=True)),
    )
    found = plan(job([0.1, 2.0], design), aim="smoothest", most_moves=2)
    assert not found.feasible
    assert ChannelKey("lateral", "120 kt") in found.stopped_by
    assert found.moves
    assert 1.0 < found.worst_ratio < 10.0
    assert found.lower_bound == pytest.approx(found.worst_ratio, rel=1e-5)


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_units_do_not_matter(scale: float) -> None:
    of = job(0.31 + 0.1j)
    same = plan(of, aim="smoothest", most_moves=2)
    design = replace(of.rotor, limits=(Limit("lateral", 0.2 * scale),))
    coefficients = coefficients_of(
        design, of.coefficients.unseen.mean * scale,
        reading_var=2 * (0.015 * scale) ** 2, run_var=2 * (0.015 * scale) ** 2,
    )  # fmt: skip
    log = with_fitted(
        one_run(design, of.readings * scale), [(b, "hub weight", 100.0) for b in "ABCD"]
    )
    other = adapt.plan(design, coefficients, log, "J-1", aim="smoothest", most_moves=2)
    assert other.moves == same.moves
    assert other.worst_ratio == pytest.approx(same.worst_ratio)
    assert other.chance == pytest.approx(same.chance)
