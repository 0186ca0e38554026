"""Plans by the general solver: no needless moves, what its tolerance leaves, time, wrong rules."""

from __future__ import annotations

import subprocess
import sys
from itertools import combinations, product
from typing import Any

import cvxpy as cp
import numpy as np
import pytest
from drawn_jobs import JOB, Job, job_of, posterior_of, small_rotor, steady

import adapt
from adapt.planning.plan import Plan
from adapt.planning.rules import custom
from adapt.planning.rules.reading import OwnRules
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Adjuster

WEIGHT = Adjuster("hub weight", "g", 20.0, (0.0, 400.0), minutes=15.0, access_minutes=5.0)
LINK = Adjuster("pitch link", "flats", 1.0, (-3.0, 3.0), minutes=30.0)
PER_GRAM, PER_FLAT, LIMIT = 0.001, 0.02j, 0.2
TURN = np.array([1, 1j, -1, -1j])  # of blades A to D, a quarter of a turn apart


def weights(reading: complex = 0.3) -> Job:
    """A rotor of four blades with 100 g on each, whose coefficients are known exactly."""
    rotor = small_rotor(adjusters=(WEIGHT, LINK), limit=LIMIT)
    return job_of(
        rotor,
        np.array([[reading]]),
        posterior_of([[PER_GRAM, PER_FLAT]]),
        fitted=np.array([[100.0, 0.0]] * 4),
        noise=steady(rotor, 0.003),
    )


def planned(job: Job, **asked: object) -> Plan:
    return adapt.plan(job.rotor, job.coefficients, job.history, JOB, **asked)  # type: ignore[arg-type]


def amounts(plan: Plan) -> dict[tuple[str, str], float]:
    return {(m.adjuster, m.blade): m.amount for m in plan.moves}


def little_weight(moved: Any) -> Any:
    """No more than 200 g by the root of the sum of squares, which is no bound of single moves."""
    return cp.norm(cp.hstack(list(moved["hub weight"].values()))) <= 200.0


def tried(reading: complex, moves: int) -> list[tuple[float, float]]:
    """Worst ratio and squared grams of every plan of exactly so many moves, by the definition."""
    places = [(PER_GRAM * t, range(-100, 301, 20), True) for t in TURN]
    places += [(PER_FLAT * t, range(-3, 4), False) for t in TURN]
    found = []
    for some in combinations(places, moves):
        for made in product(*([x for x in amounts if x] for _, amounts, _ in some)):
            z = reading + sum(c * x for (c, _, _), x in zip(some, made, strict=True))
            grams = sum(x**2 for (_, _, weighs), x in zip(some, made, strict=True) if weighs)
            found.append((abs(z) / LIMIT, grams))
    return found


def test_of_equal_plans_the_one_of_fewest_moves_is_taken() -> None:
    plan = planned(weights(), aim="smoothest", constraints=little_weight)
    assert plan.proven
    assert plan.worst_ratio == pytest.approx(0.0, abs=1e-9)
    least = min(
        moves
        for moves in (1, 2, 3)
        if any(ratio < 1e-9 and grams <= 200.0**2 for ratio, grams in tried(0.3, moves))
    )
    assert len(plan.moves) == least


@pytest.mark.parametrize("quarter", range(4))
def test_of_opposite_blades_the_one_that_carries_less_then_is_taken(quarter: int) -> None:
    """Weight taken off the blade on the heavy side does what adding it opposite does."""

    def a_little_weight(moved: Any) -> Any:
        shares = [moved["hub weight"][blade] / 20.0 for blade in "ABCD"]
        return cp.sum_squares(cp.hstack(shares)) <= 16.5

    job = weights(0.3 * TURN[quarter])
    free = planned(job, aim="smoothest", most_moves=1)
    ruled = planned(job, aim="smoothest", most_moves=1, constraints=a_little_weight)
    # Without the rule only adding can be enough: 300 g, where 100 g are fitted.
    assert amounts(free) == {("hub weight", "CDAB"[quarter]): 300.0}
    assert amounts(ruled) == {("hub weight", "ABCD"[quarter]): -80.0}
    assert ruled.proven


@pytest.mark.parametrize("rest", [0.0002j, 0.0011 + 0.0004j, -0.003 + 0.001j, 0.002, 0.013j])
def test_values_near_zero_are_proven_too(rest: complex) -> None:
    def cheap_weight(moved: Any) -> Any:
        return 1e-6 * cp.sum(cp.abs(cp.hstack(list(moved["hub weight"].values()))))

    plan = planned(weights(0.2 + rest), aim="smoothest", most_moves=1, constraints=cheap_weight)
    value = abs(rest) / LIMIT + 200e-6
    assert amounts(plan) == {("hub weight", "C"): 200.0}
    assert plan.proven
    assert plan.lower_bound == pytest.approx(value, rel=1.1e-6)


def test_what_fewer_moves_could_do_without_rules_does_not_bind_those_with_more() -> None:
    def some_weight_on_d(moved: Any) -> Any:
        on_d = cp.Variable(boolean=True)
        return [moved["hub weight"]["D"] >= 20.0 * on_d, on_d >= 1]

    job = weights(0.3 + 0.1j)
    free = planned(job, chance=0.0)
    ruled = planned(job, chance=0.0, constraints=some_weight_on_d)
    assert amounts(free) == {("hub weight", "C"): 300.0}
    assert free.worst_ratio == pytest.approx(0.5)
    assert amounts(ruled) == {("hub weight", "C"): 300.0, ("hub weight", "D"): 100.0}
    assert ruled.worst_ratio == pytest.approx(0.0, abs=1e-9)
    assert ruled.proven


def test_plans_that_the_solver_takes_for_right_are_left_out_one_by_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is held against every plan decides, not the solver's tolerance: here a rule of its own.

    The solver knows nothing of it, so it has to be told of each plan that is refused.
    """
    keeps = OwnRules.keeps

    def keeps_and_divides(rules: OwnRules, plan: np.ndarray) -> bool:
        return keeps(rules, plan) and int(np.abs(plan).sum()) % 5 == 1

    monkeypatch.setattr(OwnRules, "keeps", keeps_and_divides)
    plan = planned(weights(), aim="smoothest", most_moves=1, constraints=little_weight)
    least = np.inf
    for at, turn in enumerate([*TURN, *TURN]):
        step, unit = (20.0, PER_GRAM) if at < 4 else (1.0, PER_FLAT)
        for n in range(-5, 16) if at < 4 else range(-3, 4):
            if abs(n) % 5 == 1 and (at >= 4 or abs(n) * step <= 200.0):
                least = min(least, abs(0.3 + unit * turn * n * step) / LIMIT)
    assert plan.worst_ratio == pytest.approx(least, rel=1e-9)
    assert plan.proven


def test_time_that_ends_before_the_solver_finds_anything_leaves_things_as_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(custom, "_LEAST_SECONDS", 0.0)
    plan = planned(weights(), aim="smoothest", seconds=0.0, constraints=little_weight)
    assert plan.moves == ()
    assert not plan.proven
    assert plan.lower_bound <= plan.worst_ratio == pytest.approx(0.3 / LIMIT)

    def something_moves(moved: Any) -> Any:
        return [little_weight(moved), moved["hub weight"]["A"] >= 40.0]

    with pytest.raises(CannotBeMet, match="as far as the time given goes"):
        planned(weights(), aim="smoothest", seconds=0.0, constraints=something_moves)


def test_moves_by_hand_between_steps_can_be_held_against_rules_with_helpers() -> None:
    def all_or_nothing(moved: Any) -> Any:
        allowed = cp.Variable(boolean=True)
        return [moved["hub weight"]["A"] <= 30.0 * allowed, moved["hub weight"]["A"] >= -30.0]

    for amount, broken in ((25.0, False), (33.0, True)):
        plan = planned(weights(), constraints=all_or_nothing, by_hand=[("A", "hub weight", amount)])
        assert plan.by_hand is not None
        assert ("your own constraints are not kept" in plan.by_hand.breaks) == broken


@pytest.mark.parametrize("asked", [{"aim": "smoothest"}, {"chance": 0.0}, {"aim": "likeliest"}])
def test_rules_are_asked_where_nothing_can_be_moved(asked: dict[str, Any]) -> None:
    plan = planned(weights(), locked_blades=list("ABCD"), constraints=little_weight, **asked)
    assert plan.moves == ()
    assert plan.worst_ratio == pytest.approx(1.5)

    def much_fitted(_: Any, fitted: Any) -> Any:
        near = cp.Variable(boolean=True)
        return cp.abs(fitted["hub weight"]["A"] - 300.0) <= 10.0 * near

    with pytest.raises(CannotBeMet, match="keeps your own constraints"):
        planned(weights(), locked_blades=list("ABCD"), constraints=much_fitted, **asked)


def test_a_bound_at_infinity_binds_nothing() -> None:
    def wide_open(moved: Any) -> Any:
        return [moved["hub weight"]["A"] <= np.inf, moved["hub weight"]["A"] >= -np.inf]

    assert amounts(planned(weights(), constraints=wide_open)) == amounts(planned(weights()))


def test_a_penalty_may_rest_on_a_variable_of_the_users_own() -> None:
    """The price of the largest weight moved, 1 for 200 g: known by hand for a single move."""

    def price_of_the_largest(moved: Any) -> Any:
        largest = cp.Variable()
        return [cp.abs(amount) <= largest for amount in moved["hub weight"].values()], (
            largest / 200.0
        )

    # x g on C come to (300 - x) / 200 + x / 200 = 1.5, whatever x is; a link on B or D to 1.2.
    dear = planned(weights(), aim="smoothest", most_moves=1, constraints=price_of_the_largest)
    assert [move.adjuster for move in dear.moves] == ["pitch link"]
    assert dear.worst_ratio == pytest.approx(1.2)

    # At half the price 300 g come to 0.75.
    def at_half_price(moved: Any) -> Any:
        constraints, price = price_of_the_largest(moved)
        return constraints, 0.5 * price

    cheap = planned(weights(), aim="smoothest", most_moves=1, constraints=at_half_price)
    assert amounts(cheap) == {("hub weight", "C"): 300.0}
    assert dear.proven
    assert cheap.proven


def test_numbers_too_far_apart_never_let_a_rule_be_broken() -> None:
    """A boolean that is nearly 0 must not let moves through, whatever it is multiplied by."""

    def one_blade(scale: float) -> Any:
        def rule(moved: Any) -> Any:
            touched = {blade: cp.Variable(boolean=True) for blade in "ABCD"}
            return [
                *(cp.abs(moved["hub weight"][b]) <= scale * touched[b] for b in "ABCD"),
                *(cp.abs(moved["pitch link"][b]) <= scale * touched[b] for b in "ABCD"),
                sum(touched.values()) <= 1,
            ]

        return rule

    refused = []
    for scale in (400.0, 1e6, 1e9, 1e12):
        for asked in ({"aim": "smoothest"}, {"aim": "likeliest", "most_moves": 2}):
            try:
                plan = planned(weights(0.3 + 0.1j), constraints=one_blade(scale), **asked)
            except BadInput as error:
                refused.append((scale, str(error)))
            else:
                assert len({move.blade for move in plan.moves}) <= 1
    assert all(scale > 1e3 and "too far apart" in said for scale, said in refused)


def unbounded(moved: Any) -> Any:
    return cp.Variable()


def exponential(moved: Any) -> Any:
    return cp.exp(moved["hub weight"]["C"] / 100.0) <= 2.0


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (lambda moved: moved["hub weight"]["A"] <= float("nan"), "not one (NaN)"),
        (lambda moved: cp.abs(moved["hub weight"]["A"]) <= np.nan, "not one (NaN)"),
        (lambda moved: cp.abs(moved["hub weight"]["A"]) <= np.inf, "infinite number"),
        (lambda moved: moved["hub weight"]["A"] >= np.inf, "cannot be kept by any move"),
        (lambda moved: moved["hub weight"]["A"] <= cp.Parameter(), "parameter without a value"),
        (lambda moved: 1j * moved["hub weight"]["A"] == 0, "complex numbers"),
        (lambda moved: moved["hub weight"]["A"] > 0, "<=, >= and =="),
        ("A stays", "a str: expected a function"),
        (unbounded, "not bounded below"),
        (exponential, "norms, squares and whole variables"),
    ],
)
def test_rules_that_cannot_be_used_are_refused_with_what_to_do(rule: Any, said: str) -> None:
    with pytest.raises(BadInput) as refused:
        planned(weights(), aim="smoothest", constraints=rule)
    assert said in str(refused.value)


def test_rules_that_the_solver_cannot_take_are_asked_plan_by_plan_for_a_chance() -> None:
    plan = planned(weights(), aim="likeliest", most_moves=1, constraints=exponential)
    # 100 ln 2 = 69.3 g may be added to C, and taking 100 g off A does better than 60 g.
    assert amounts(plan) == {("hub weight", "A"): -100.0}
    assert plan.proven


WITHOUT_SOLVER = """
import sys
sys.modules["pyscipopt"] = None
sys.path[:0] = [{tests!r}, {here!r}]
from test_custom import BadInput, amounts, little_weight, planned, weights
import cvxpy as cp

def linear(moved):
    return moved["hub weight"]["A"] >= 0

print(amounts(planned(weights(), aim="likeliest", most_moves=1, constraints=little_weight)))
print(amounts(planned(weights(), aim="smoothest", most_moves=1, constraints=linear)))
try:
    planned(weights(), aim="smoothest", most_moves=1, constraints=little_weight)
except BadInput as error:
    print(error)
"""


def test_without_the_solver_only_what_needs_it_is_refused() -> None:
    here = __file__.rpartition("/")[0]
    code = WITHOUT_SOLVER.format(tests=here.rpartition("/")[0], here=here)
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    asked_each, by_bounds, refused = ran.stdout.splitlines()
    assert asked_each == "{('hub weight', 'C'): 200.0}"
    assert by_bounds == "{('hub weight', 'C'): 300.0}"
    assert "pyscipopt" in refused
    assert "pip install 'adapt[custom]'" in refused
