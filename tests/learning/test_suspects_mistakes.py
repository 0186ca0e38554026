"""The mistakes that are looked for: what each changes, its prior odds, and its words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_fleet import invented_rotor

from adapt.learning.suspects.mistakes import KINDS_OF_MOVES, SHARES, WRONG_PAIR, WRONG_RUN
from adapt.learning.suspects.wrong_moves import in_words, unrecorded, wrong_moves
from adapt.learning.suspects.wrong_readings import (
    changes,
    derived_readings,
    log_priors,
    wrong_readings,
)
from adapt.rotor import Rotor, Sensor

STEP = np.array([10.0, 1.0, 0.5])


@st.composite
def made_moves(draw: st.DrawFn) -> np.ndarray:
    """Draw moves of two pairs on five blades, (pair, blade, adjuster), in whole steps."""
    steps = draw(st.lists(st.sampled_from([0, 0, 0, -4, -1, 1, 3]), min_size=30, max_size=30))
    return np.array(steps, dtype=float).reshape(2, 5, 3) * STEP


@given(made_moves())
def test_each_mistake_leaves_what_its_kind_says(made: np.ndarray) -> None:
    found = wrong_moves(invented_rotor(blades=5), made)
    for n in range(len(found)):
        entered = made[found.owner[n]]
        really = entered + found.change[n]
        kind = KINDS_OF_MOVES[found.kind[n]]
        assert not np.allclose(really, entered)
        if kind in ("neighbouring blade", "other blade"):
            assert really.sum(axis=0) == pytest.approx(entered.sum(axis=0))
        elif kind == "sign":
            assert np.abs(really) == pytest.approx(np.abs(entered))
        elif kind == "not made":
            assert (np.abs(really) <= np.abs(entered)).all()
        elif kind == "amount":
            ratio = really[found.change[n] != 0] / entered[found.change[n] != 0]
            assert ratio == pytest.approx(10.0) or ratio == pytest.approx(0.1)
        elif kind == "other adjuster":
            assert (np.abs(found.change[n]).max(axis=1) > 0).sum() == 1
        else:
            assert kind == "blade order"
            assert really[0] == pytest.approx(entered[0])
            assert really[1:] == pytest.approx(entered[:0:-1])


@given(made_moves())
def test_the_mistakes_of_a_kind_share_its_prior(made: np.ndarray) -> None:
    found = wrong_moves(invented_rotor(blades=5), made)
    for pair in range(2):
        for number, kind in enumerate(KINDS_OF_MOVES):
            mine = (found.owner == pair) & (found.kind == number)
            if mine.any():
                share = np.exp(found.log_prior[mine]).sum()
                assert share == pytest.approx(WRONG_PAIR * SHARES[kind])


def test_moves_that_nobody_wrote_down_share_their_prior_and_fit_the_hardware() -> None:
    rotor = invented_rotor(blades=5)
    only = replace(rotor.adjusters[0], blades=("1", "3"), largest_move=40.0)
    rotor = replace(rotor, adjusters=(only, *rotor.adjusters[1:]))
    found = unrecorded(rotor)
    assert np.exp(found.log_prior).sum() == pytest.approx(WRONG_PAIR * SHARES["not recorded"])
    weights = found.change[:, :, 0]
    assert set(np.nonzero(weights)[1]) == {0, 2}
    assert np.abs(weights).max() == 40.0


def test_no_mistake_puts_a_move_where_the_hardware_cannot_take_it() -> None:
    rotor = invented_rotor(blades=4)
    only = replace(rotor.adjusters[0], blades=("1", "3"))
    rotor = replace(rotor, adjusters=(only, *rotor.adjusters[1:]))
    made = np.zeros((1, 4, 3))
    made[0, 0, 0], made[0, 1, 1] = 20.0, 2.0
    found = wrong_moves(rotor, made)
    single = found.only(found.source >= 0)
    really = made[0] + single.change
    assert not really[:, [1, 3], 0].any()


def test_an_amount_off_the_steps_is_hardly_meant() -> None:
    made = np.zeros((1, 5, 3))
    made[0, 0, 1] = 3.0  # flats: 0.3 cannot be made, 30 can
    rotor = invented_rotor(blades=5)
    found = wrong_moves(rotor, made)
    found = found.only(found.kind == KINDS_OF_MOVES.index("amount"))
    by_size = dict(zip(np.round(found.size, 6).tolist(), found.log_prior.tolist(), strict=True))
    assert by_size[0.3] < by_size[30.0] - 2.0


def test_mistakes_are_put_into_words() -> None:
    rotor = invented_rotor(blades=5)
    made = np.zeros((1, 5, 3))
    made[0, 2, 1] = 3.0
    found = wrong_moves(rotor, made)
    words = {in_words(rotor, made[0], found, n) for n in range(len(found))}
    assert "+3 flat of pitch link was on blade 4, not 3" in words
    assert "+3 flat of pitch link on blade 3 was -3" in words
    assert "+3 flat of pitch link on blade 3 was not made" in words
    assert "+3 flat of pitch link on blade 3 was +1.5 deg of trim tab" in words


def readings_of(rotor: Rotor, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    channels = len(rotor.channels)
    return rng.standard_normal((4, channels)) + 1j * rng.standard_normal((4, channels))


def test_each_wrong_reading_is_undone_by_making_it_again() -> None:
    """All mistakes in readings are their own inverse, but for a clock off by one hour."""
    rotor = invented_rotor(sensors=3, regimes=2)
    read = readings_of(rotor, 1)
    found = wrong_readings(rotor)
    for m, at, change in changes(rotor, found, read):
        once = read.copy()
        once[:, at] += change
        again = once.copy()
        for _, places, more in changes(rotor, found, once, only=m):
            again[:, places] += more
        if found[m].kind == "clock one hour":
            assert np.abs(np.angle(once[:, at] / read[:, at], deg=True)) == pytest.approx(30.0)
        else:
            assert again == pytest.approx(read)


def test_a_clock_hour_too_far_on_is_turned_back_in_the_sensors_own_sense() -> None:
    plain = invented_rotor(sensors=2, regimes=2)
    lead = replace(plain.sensors[1], phase="lead")
    rotor = replace(plain, sensors=(plain.sensors[0], lead))
    read = readings_of(rotor, 2)
    found = wrong_readings(rotor)
    turned = {}
    for m, at, change in changes(rotor, found, read):
        if "one hour too far on" in found[m].text and len(at) == 1:
            turned[rotor.channels[at[0]][0]] = np.angle(
                (read[0, at] + change[0]) / read[0, at], deg=True
            )[0]
    assert turned["sensor 1"] == pytest.approx(-30.0)  # lag was entered 30 deg too large
    assert turned["sensor 2"] == pytest.approx(30.0)  # lead was: the lag is larger than entered


def test_readings_swapped_between_lag_and_lead_are_mirrored() -> None:
    plain = invented_rotor(sensors=2, regimes=2)
    lead = replace(plain.sensors[1], phase="lead")
    rotor = replace(plain, sensors=(plain.sensors[0], lead))
    read = readings_of(rotor, 3)
    found = wrong_readings(rotor)
    number = [x.kind for x in found].index("sensors swapped")
    meant = read.copy()
    for _, at, change in changes(rotor, found, read, only=number):
        meant[:, at] += change
    # the instrument's numbers: lag of the first, lead of the second; written into the other's rows
    assert meant[:, :2] == pytest.approx(read[:, 2:].conj())
    assert meant[:, 2:] == pytest.approx(read[:, :2].conj())


def test_a_combination_follows_its_parts_and_is_never_wrong_itself() -> None:
    plain = invented_rotor(sensors=2, regimes=3)
    parts = {"sensor 1": 0.5, "sensor 2": -0.5}
    rotor = replace(plain, sensors=(*plain.sensors, Sensor("roll", "ips", combination=parts)))
    read = readings_of(rotor, 4)
    read[:, 6:] = 0.5 * read[:, :3] - 0.5 * read[:, 3:6]
    assert derived_readings(rotor, read)[:, 6:].all()
    for _, at, change in changes(rotor, wrong_readings(rotor), read):
        meant = read.copy()
        meant[:, at] += change
        assert meant[:, 6:] == pytest.approx(0.5 * meant[:, :3] - 0.5 * meant[:, 3:6])
        if np.abs(change).max() > 0:
            assert (np.abs(meant - read)[:, :6] > 0).any(axis=1).all()


def test_priors_of_wrong_readings_are_shared_by_what_is_possible() -> None:
    rotor = invented_rotor(sensors=2, regimes=2)
    found = wrong_readings(rotor)
    possible = np.ones((2, len(found)), dtype=bool)
    possible[1] = [not x.whole for x in found]
    prior = np.exp(log_priors(found, possible))
    for row in range(2):
        for kind in {x.kind for x in found}:
            mine = np.array([x.kind == kind for x in found]) & possible[row]
            if mine.any():
                assert prior[row, mine].sum() == pytest.approx(WRONG_RUN * SHARES[kind])
    assert not prior[1, ~possible[1]].any()
