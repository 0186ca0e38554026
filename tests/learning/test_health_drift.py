"""A response that weakens from pair to pair stands out as a drift; a step is still a step."""

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor

from adapt.learning.fitting.learner import fit
from adapt.learning.health import find_changes
from adapt.learning.health.factor import Factor
from adapt.learning.health.parts import candidates
from adapt.learning.rows.runs import runs_of

ROTOR = invented_rotor(4, 2, 3, 3, track=False)


def weakening(seed: int, serial: str, a_pair: float, healthy: int) -> Fleet:
    """Return a fleet in which a rotor's answer falls from its pair `healthy` + 1 on."""
    f = fleet(np.random.default_rng(seed), ROTOR, rotors=8, jobs=6, runs=5)
    log, row, names = f.history, int(serial[1:]), list(ROTOR.adjuster_names)
    extra: dict[tuple[str, str], np.ndarray] = {}
    pair = 0
    for job in [j for j in log.runs.job.unique() if j.startswith(f"J{serial[1:]}")]:
        total = np.zeros(len(ROTOR.channels), dtype=complex)
        moves = log.moves[log.moves.job == job]
        for run in range(5):
            pair += run > 0
            for move in moves[moves.after_run == str(run - 1)].itertuples():
                turn = np.exp(1j * ROTOR.psi[ROTOR.blades.index(str(move.blade))])
                own = f.own[row, :, names.index(str(move.adjuster))]
                total = total - a_pair * max(pair - healthy, 0) * own * turn * move.amount
            extra[job, str(run)] = total
    channel = {c: j for j, c in enumerate(ROTOR.channels)}
    value = [
        x.value + extra[x.job, x.run][channel[x.sensor, x.regime]] if (x.job, x.run) in extra
        else x.value
        for x in log.readings.itertuples()
    ]  # fmt: skip
    return replace(f, history=replace(log, readings=log.readings.assign(value=value)))


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_a_slow_drift_is_named_with_its_present_size(seed: int) -> None:
    f = weakening(seed, "R004", 0.03, healthy=6)
    runs = runs_of(f.rotor, f.history)
    found = find_changes(f.rotor, runs, fit(f.rotor, runs, f.chart)[0])
    assert [(x["rotor"], x["test"], x["how"]) for x in found] == [
        ("R004", "answer drifting", "weaker")
    ]
    # 24 pairs, the last 18 of them weaker by 3 % more each.
    assert found[0]["factor_low"] < 1.0 - 0.03 * 18 < found[0]["factor_high"]
    assert 10 <= found[0]["pairs"] <= 24


def test_steps_stand_two_pairs_from_either_end_and_ramps_grow_by_the_pair() -> None:
    moved = np.zeros((2, 20), dtype=bool)
    moved[0, [1, 2, 4, 5, 7, 9, 11, 12, 15, 19]] = True
    moved[1, [3, 8, 9]] = True
    since = candidates(moved, most=7)
    steps = since.run[:, since.ramps :]
    assert [x for x in steps[0] if x < 20] == [4, 5, 7, 9, 11, 12, 15]
    assert [x for x in steps[1] if x < 20] == []  # two before and two since cannot be
    ramps = since.run[0, : since.ramps]
    assert ramps.tolist() == [1, 7]
    np.testing.assert_allclose(since.profile[0, 0][moved[0]], np.arange(1, 11) / 10.0)
    np.testing.assert_allclose(
        since.profile[0, 1][moved[0]], [0] * 4 + [k / 6 for k in range(1, 7)]
    )
    assert since.pairs[0, :2].tolist() == [10, 6]
    every = candidates(moved)
    assert every.run[0, : every.ramps].tolist() == [1, 2, 4, 5, 7]


def test_thinned_steps_keep_both_ends_and_lie_close_near_them() -> None:
    since = candidates(np.ones((1, 60), dtype=bool), most=7)
    steps = since.run[0, since.ramps :]
    assert (steps[0], steps[-1], len(steps)) == (2, 58, 7)
    gaps = np.diff(steps)
    assert gaps[0] < gaps[len(gaps) // 2] > gaps[-1]


def test_the_interval_of_a_factor_is_that_of_what_is_believed() -> None:
    rng = np.random.default_rng(3)
    drawn = 0.6 + 0.05 * (rng.standard_normal(20000) + 1j * rng.standard_normal(20000))
    factor = Factor.of(0.6 + 0j, drawn)
    # Size nearly normal: 0.6 +- 1.96 sd; angle to asin(1.96 sd / size).
    assert factor.size[1:] == pytest.approx((0.502, 0.698), abs=0.006)
    assert factor.angle_deg is not None
    assert factor.angle_deg[1:] == pytest.approx((-9.4, 9.4), abs=0.4)
    wide = np.exp(2j * np.pi * rng.random(2000))
    assert Factor.of(1.0 + 0j, wide).angle_deg is None
