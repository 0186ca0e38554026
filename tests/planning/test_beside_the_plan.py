"""What stands beside a plan: moves by hand, stages, lessons, savings; and wrong requests."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import ANY

import numpy as np
import pytest
from drawn_jobs import JOB, Job, drawn_job, job_of, posterior_of, small_rotor, steady

import adapt
from adapt.planning.plan import ChannelKey, Plan
from adapt.problems import BadInput
from adapt.rotor import Adjuster, Limit

WEIGHT = Adjuster("hub weight", "g", 20.0, (0.0, 400.0), minutes=15.0, largest_move=200.0)
LINK = Adjuster("pitch link", "flats", 1.0, (-6.0, 6.0), minutes=30.0)


def planned(job: Job, **asked: object) -> Plan:
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)  # type: ignore[arg-type]


def weights_and_links(
    reading: complex = 0.3, heights: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0), **more: object
) -> Job:
    """Return a job: 1 g on A reads 0.001, a flat 0.02 in lag by a quarter and 3 mm of track."""
    rotor = small_rotor(adjusters=(WEIGHT, LINK), track_limit=10.0)
    return job_of(
        replace(rotor, **more),  # type: ignore[arg-type]
        np.array([[reading]]),
        posterior_of([[0.001, 0.02j]], track_mean=[[0.0, 3.0]]),
        heights=np.array([[heights]]),
        fitted=np.array([[100.0, 0.0]] * 4),
    )


# --- moves by hand -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_the_plans_own_moves_by_hand_promise_what_the_plan_promises(seed: int) -> None:
    job = drawn_job(np.random.default_rng(seed), amount_sd=0.1)
    plan = planned(job, aim="smoothest", most_moves=3)
    held = planned(job, aim="smoothest", most_moves=0, by_hand=plan.moves).by_hand
    assert held is not None
    assert held.moves == plan.moves
    assert held.worst_ratio == pytest.approx(plan.worst_ratio, rel=1e-12)
    assert held.chance == pytest.approx(plan.chance, rel=1e-9)
    assert held.joint_chance == pytest.approx(plan.joint_chance, abs=1e-12)
    assert held.inside == plan.feasible
    assert held.minutes == plan.minutes
    assert held.breaks == ()
    for mine, other in zip(held.readings, plan.readings, strict=True):
        assert mine.after == pytest.approx(other.after, rel=1e-12)
        assert mine.sd == pytest.approx(other.sd, rel=1e-12)
        assert (mine.before, mine.limit, mine.read_in) == (other.before, other.limit, other.read_in)
    for one, another in zip(held.track, plan.track, strict=True):
        assert one.after == pytest.approx(another.after, rel=1e-12)
        assert one.heights_before == another.heights_before


def test_moves_between_steps_are_foretold_as_they_are() -> None:
    job = weights_and_links(0.3)
    held = planned(job, by_hand=[("C", "hub weight", 130.0)]).by_hand
    assert held is not None
    # blade C lies opposite A: 130 g there read -0.13
    assert held.readings[0].after == pytest.approx(0.3 - 0.13)
    assert held.worst_ratio == pytest.approx(0.17 / 0.2)
    assert len(held.breaks) == 1
    assert "not a whole number of steps of 20" in held.breaks[0]
    assert held.inside


def test_everything_that_moves_by_hand_break_is_said() -> None:
    rotor_limits = {
        "adjusters": (
            replace(WEIGHT, blades=("A", "B", "C"), sum_range=(-100.0, 100.0)),
            LINK,
        )
    }
    job = weights_and_links(0.3, **rotor_limits)
    held = planned(
        job,
        by_hand=[("A", "hub weight", 320.0), ("D", "hub weight", 20.0), ("B", "pitch link", 1.0)],
        locked=[("B", "pitch link")],
    ).by_hand
    assert held is not None
    said = " | ".join(held.breaks)
    assert "hub weight on blade A: a move of 320 g is more than the largest, 200" in said
    assert "420 g would be fitted; 0 to 400 is allowed" in said
    assert "hub weight on blade D: the rotor file does not allow it on this blade" in said
    assert "pitch link on blade B: locked for this plan" in said
    assert "would sum to 340 g; -100 to 100 is allowed" in said
    assert len(held.breaks) == 5


def test_moves_by_hand_of_which_nothing_is_known_have_no_chance() -> None:
    job = weights_and_links(0.3)
    mean = np.array([[0.001, np.nan]], dtype=complex)
    unknown = replace(
        job,
        coefficients=replace(job.coefficients, unseen=posterior_of(mean, track_mean=[[0.0, 3.0]])),
    )
    held = planned(unknown, by_hand=[("A", "pitch link", 1.0)]).by_hand
    assert held is not None
    assert held.chance is None
    assert held.worst_ratio is None
    assert not held.inside
    assert held.unknown == (ChannelKey("sensor 1", "regime 1"),)
    assert held.readings[0].after is None
    known = planned(unknown, by_hand=[("C", "hub weight", 200.0)]).by_hand
    assert known is not None
    assert known.worst_ratio == pytest.approx(0.5)


def test_moves_by_hand_may_be_none() -> None:
    assert planned(weights_and_links()).by_hand is None


# --- requests that are wrong ---------------------------------------------------------------------


def test_everything_wrong_with_a_request_is_in_one_message() -> None:
    with pytest.raises(BadInput) as raised:
        planned(
            weights_and_links(),
            aim="fewest",
            locked=[("Z", "hub weight")],
            caps={"hub wieght": -3.0},
            largest_moves={"pitch link": float("nan")},
            most_minutes=-1.0,
            weights={"hover": 2.0},
            only_inside=["sensor 9"],
            run_minutes=30.0,
            by_hand=[("A", "hub weight", float("inf")), ("A", "hub weight", 20.0)],
        )
    said = str(raised.value)
    for part in (
        "blade 'Z'",
        "(did you mean hub weight?)",
        "cap of hub wieght -3",
        "largest move of pitch link nan",
        "most minutes -1",
        "regime 'hover'",
        "weights of regimes go with the aim smoothest",
        "sensor 'sensor 9'",
        "minutes of another run go with the aim quickest",
        "amount inf",
        "stands twice",
    ):
        assert part in said, part


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"locked": ["A"]}, "locked: found 'A', expected blade and adjuster"),
        ({"locked": [("A", "hub weight", 1)]}, "locked: found A hub weight 1, expected"),
        ({"caps": {"hub weight": None}}, "cap of hub weight: found None, expected a number"),
        ({"most_moves": 2.5}, "most moves: found 2.5, expected a whole number"),
        ({"most_minutes": "long"}, "most minutes: found 'long', expected a number"),
        ({"chance": "high"}, "chance: found 'high', expected a number"),
    ],
)
def test_arguments_of_the_wrong_kind_are_refused(asked: dict[str, object], said: str) -> None:
    with pytest.raises(BadInput) as raised:
        planned(weights_and_links(), **asked)
    assert said in str(raised.value)


def test_a_name_alone_stands_for_a_list_of_one() -> None:
    job = weights_and_links()
    assert planned(job, locked_blades="A") == replace(
        planned(job, locked_blades=["A"]), seconds=ANY
    )
    assert planned(job, regimes="regime 1", only_inside="track").feasible


@pytest.mark.parametrize("moves", [[("A", "hub weight")], [3], [("A", "hub weight", "much")]])
def test_moves_by_hand_that_are_none_are_refused(moves: list[object]) -> None:
    with pytest.raises(BadInput, match="move 1 by hand"):
        planned(weights_and_links(), by_hand=moves)


def test_a_cap_that_leaves_nothing_is_refused() -> None:
    job = weights_and_links(adjusters=(replace(WEIGHT, fitted_range=(50.0, 400.0)), LINK))
    with pytest.raises(BadInput, match="its fitted range is 50 to 400"):
        planned(job, caps={"hub weight": 20.0})


def test_labour_that_is_not_given_cannot_be_capped() -> None:
    job = weights_and_links(adjusters=(replace(WEIGHT, minutes=None), LINK))
    with pytest.raises(BadInput, match="a cap on minutes needs minutes"):
        planned(job, most_minutes=60.0)
    assert planned(job, most_minutes=60.0, locked_adjusters=["hub weight"]).minutes is not None


# --- stages --------------------------------------------------------------------------------------


def test_track_first_moves_only_what_the_track_needs_and_foretells_the_rest() -> None:
    # Blade A flies 18 mm above the mean of the others: six flats down bring it level.
    job = weights_and_links(0.1, heights=(13.5, -4.5, -4.5, -4.5))
    quiet = replace(job, coefficients=replace(job.coefficients, noise=steady(job.rotor, 0.002)))
    plan = planned(quiet, track_first=True)
    assert [(m.blade, m.adjuster) for m in plan.moves] == [("A", "pitch link")]
    assert plan.track_alone
    assert plan.feasible
    stage = plan.next_stage
    assert stage is not None
    # What the link does to the vibration is known, so the second stage is what this leaves over.
    left = 0.1 + plan.moves[0].amount * 0.02j
    assert plan.readings[0].after == pytest.approx(left)
    needed = 0 if abs(left) < 0.19 else 1
    assert len(stage.moves) == needed
    assert stage.counts[needed] == sum(stage.counts.values()) > 10


def test_a_stage_that_nothing_can_finish_says_so() -> None:
    job = weights_and_links(3.0, heights=(13.5, -4.5, -4.5, -4.5))
    stage = planned(job, track_first=True, seconds=4.0).next_stage
    assert stage is not None
    assert set(stage.counts) == {-1}


def test_track_first_needs_a_limit_of_track() -> None:
    rotor = small_rotor(adjusters=(WEIGHT,))
    job = job_of(rotor, np.array([[0.3]]), posterior_of([[0.001]]), fitted=np.full((4, 1), 100.0))
    with pytest.raises(BadInput, match="no limit of track spread"):
        planned(job, track_first=True)


# --- lessons -------------------------------------------------------------------------------------


def test_the_lesson_of_a_move_is_that_of_the_posterior_after_it() -> None:
    job = weights_and_links(0.35)
    var = 4e-8
    posterior = posterior_of(
        [[0.001, 0.02j]], np.array([[[var, 0.0], [0.0, 1e-6]]]), track_mean=[[0.0, 3.0]]
    )
    doubtful = replace(job, coefficients=replace(job.coefficients, unseen=posterior))
    plan = planned(doubtful, aim="smoothest", most_moves=1, prefer_teaching=True)
    (move,) = plan.moves
    assert move.adjuster == "hub weight"
    noise = doubtful.coefficients.noise
    # one reading before (r), the change q and one after (r): the innovation's variance
    pair = float(2 * noise.reading_var[0] + noise.run_var[0])
    after = 1.0 / (1.0 / var + move.amount**2 / pair)
    weight, link = plan.lessons
    usual = 200.0 / 0.2  # the largest move over the limit
    # the mean over two limits, of which the track's does not know of the weight
    assert weight.before == pytest.approx(np.sqrt(var / 2.0 / 2.0) * usual, rel=1e-9)
    assert weight.after == pytest.approx(np.sqrt(after / 2.0 / 2.0) * usual, rel=1e-9)
    assert link.before == pytest.approx(link.after)


def test_of_nearly_equal_plans_the_more_teaching_one_is_taken_when_asked() -> None:
    # Two kinds do the same; of the second nothing much is known.
    kinds = (
        Adjuster("hub weight", "g", 20.0, (0.0, 400.0)),
        Adjuster("tip weight", "g", 20.0, (0.0, 400.0)),
    )
    rotor = small_rotor(adjusters=kinds)
    cov = np.array([[[1e-12, 0.0], [0.0, 2e-9]]])
    job = job_of(
        rotor, np.array([[0.3]]), posterior_of([[0.001, 0.001]], cov), fitted=np.full((4, 2), 200.0)
    )
    plain = planned(job, aim="smoothest", most_moves=1)
    assert [m.adjuster for m in plain.moves] == ["hub weight"]
    taught = planned(job, aim="smoothest", most_moves=1, prefer_teaching=True)
    assert [m.adjuster for m in taught.moves] == ["tip weight"]
    assert taught.worst_ratio <= 1.1 * plain.worst_ratio
    assert taught.alternatives[0].moves == plain.moves
    assert not taught.proven
    assert any("teaches most" in note for note in taught.notes)


# --- savings -------------------------------------------------------------------------------------


def test_weight_that_cancels_can_come_off_and_changes_nothing() -> None:
    job = weights_and_links(0.05)
    plan = planned(job)
    assert plan.moves == ()
    (saving,) = plan.savings
    assert {(m.blade, m.adjuster, m.amount) for m in saving.moves} == {
        (blade, "hub weight", -100.0) for blade in "ABCD"
    }
    assert saving.saved == 400.0
    held = planned(job, by_hand=saving.moves).by_hand
    assert held is not None
    assert held.readings[0].after == pytest.approx(plan.readings[0].after, abs=1e-12)
    assert held.breaks == ()


def test_no_weight_is_saved_that_moves_a_reading_or_was_not_recorded() -> None:
    every_blade = weights_and_links(0.05)
    # a sensor of the fourth order sees equal weights on four blades
    sensor = replace(every_blade.rotor.sensors[0], order=4)
    fourth = replace(every_blade.rotor, sensors=(sensor,))
    assert planned(replace(every_blade, rotor=fourth)).savings == ()
    unknown = job_of(
        every_blade.rotor,
        np.array([[0.05]]),
        posterior_of([[0.001, 0.02j]], track_mean=[[0.0, 3.0]]),
        heights=np.zeros((1, 1, 4)),
        fitted=np.array([[np.nan, 0.0]] * 4),
    )
    assert planned(unknown).savings == ()
    odd = small_rotor(blades=5, adjusters=(WEIGHT,))
    five = job_of(
        odd,
        np.array([[0.05]]),
        posterior_of([[0.001]]),
        fitted=np.array([[100.0], [0.0], [100.0], [100.0], [100.0]]),
    )
    assert planned(five).savings == ()


def test_a_saving_is_held_against_everything_also_where_the_track_is_planned_alone() -> None:
    job = weights_and_links(0.05, heights=(6.0, -2.0, -2.0, -2.0))
    sensor = replace(job.rotor.sensors[0], order=4)  # sees equal weights on four blades
    fourth = replace(job, rotor=replace(job.rotor, sensors=(sensor,)))
    assert planned(fourth, track_first=True).savings == ()
    assert planned(job, track_first=True).savings


def test_a_saving_keeps_the_largest_move_and_what_is_not_known_stays() -> None:
    held = weights_and_links(0.05, adjusters=(replace(WEIGHT, largest_move=60.0), LINK))
    (saving,) = planned(held).savings
    assert {m.amount for m in saving.moves} == {-60.0}  # whole steps of 20 g
    # four blades, of which two opposite ones lie unevenly: what weights do to lateral is not known
    odd = replace(held.rotor, azimuth_deg=(0.0, 80.0, 180.0, 270.0))
    known = posterior_of([[np.nan, 0.02j]], track_mean=[[0.0, 3.0]])
    unknown = replace(
        held, rotor=odd, coefficients=replace(held.coefficients, unseen=known, type_=known)
    )
    (opposite,) = planned(unknown, only_inside=[]).savings
    assert {m.blade for m in opposite.moves} == {"A", "C"}


# --- one limit set, some regimes -----------------------------------------------------------------


def test_regimes_that_are_not_asked_for_do_not_count() -> None:
    rotor = small_rotor(regimes=2, adjusters=(WEIGHT,))
    job = job_of(
        rotor,
        np.array([[0.1, 0.9]]),
        posterior_of([[0.001], [0.001]], regimes=2),
        fitted=np.full((4, 1), 100.0),
    )
    assert planned(job, regimes=["regime 1"]).moves == ()
    assert not planned(job).feasible


def test_a_named_set_of_limits_comes_before_the_others() -> None:
    rotor = small_rotor(adjusters=(WEIGHT,))
    limits = (*rotor.limits, Limit("sensor 1", 0.05, after="maintenance"))
    job = job_of(
        replace(rotor, limits=limits),
        np.array([[0.1]]),
        posterior_of([[0.001]]),
        fitted=np.full((4, 1), 100.0),
    )
    assert planned(job, chance=0.0).moves == ()
    tight = planned(job, chance=0.0, limits="maintenance")
    assert [(m.blade, m.amount) for m in tight.moves] == [("A", -100.0)]


@pytest.mark.parametrize("aim", ["fewest", "smoothest", "quickest", "likeliest"])
def test_with_all_locked_the_plan_is_no_move_and_says_what_would_help(aim: str) -> None:
    job = weights_and_links(0.3, heights=(6.0, -2.0, -2.0, -2.0))
    plan = planned(job, aim=aim, locked_blades=["A", "B", "C", "D"])
    assert plan.moves == ()
    assert not plan.feasible
    assert plan.proven
    assert {"C", "hub weight"} <= {r.name for r in plan.relaxations if r.what == "locked"}
    assert plan.chances is not None
    assert plan.readings[0].after == pytest.approx(0.3)
