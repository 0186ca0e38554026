"""The practice machine does what rotors do, worked out here by other means than its own."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kurtosis

from adapt.problems import AdaptError
from adapt.rotor import Adjuster, Regime, Rotor, Sensor
from adapt.simulate import Machine, RotorType, Scatter, Weather

ALIKE = Scatter(
    adjuster_spread=0.0,
    airspeed_spread=0.0,
    sensor_gain=0.0,
    sensor_turn_deg=0.0,
    blade_spread=0.0,
    background=0.0,
    knee=1e9,
    stiffening_deg=0.0,
    gust_sd=0.0,
    walk_sd=0.0,
    airspeed_kt=0.0,
    amplitude_grid=1e-12,
    clock_grid_deg=1e-9,
    track_sd=0.0,
    track_walk_sd=0.0,
    track_shape=0.0,
    track_grid=1e-9,
)


def rotor_of(
    blades: int = 4,
    orders: tuple[int, ...] = (1,),
    azimuth_deg: tuple[float, ...] | None = None,
    track: bool = True,
) -> Rotor:
    return Rotor(
        name="main rotor",
        blades=tuple("ABCDEFG"[:blades]),
        rpm=300.0,
        sensors=tuple(Sensor(f"sensor {n}", "ips", order=n) for n in orders),
        regimes=(Regime("hover", airspeed_kt=0.0), Regime("100 kt", airspeed_kt=100.0)),
        adjusters=(
            Adjuster("weight", "g", 10.0, (0.0, 200.0)),
            Adjuster("tab", "deg", 0.5, (-5.0, 5.0), amount_sd=0.2),
        ),
        limits=(),
        track_unit="mm" if track else None,
        azimuth_deg=azimuth_deg,
    )


def type_of(rotor: Rotor, scatter: Scatter = ALIKE) -> RotorType:
    sensors = len(rotor.sensors)
    return RotorType(
        rotor=rotor,
        still=np.tile(0.001 * np.exp(1j * np.deg2rad([40.0, 100.0])), (sensors, 1)),
        air=np.tile(np.array([0.0, 0.05j]), (sensors, 1)),
        turn_deg=np.zeros(sensors),
        place=np.ones((sensors, 2), dtype=complex),
        track_still=np.array([0.0, 2.0]),
        track_air=np.array([0.0, 3.0]),
        track_place=np.ones(2),
        scatter=scatter,
    )


def machine_of(rotor: Rotor, scatter: Scatter = ALIKE, seed: int = 1) -> Machine:
    return type_of(rotor, scatter).individual(np.random.default_rng(seed))


def one_move(machine: Machine, blade: int, adjuster: int, amount: float) -> np.ndarray:
    moves = np.zeros((len(machine.rotor.blades), len(machine.rotor.adjusters)))
    moves[blade, adjuster] = amount
    return moves


def lag_between(after: complex, before: complex) -> float:
    return float(np.rad2deg(np.angle(after / before)) % 360.0)


class TestPhasing:
    @pytest.mark.parametrize("blades", [1, 2, 3, 4, 5, 7])
    def test_the_same_move_on_a_later_blade_peaks_later_by_its_passing(self, blades: int) -> None:
        machine = machine_of(rotor_of(blades))
        first = machine.vibration(machine.new(one_move(machine, 0, 0, 100.0)))[0, 0]
        for blade in range(blades):
            z = machine.vibration(machine.new(one_move(machine, blade, 0, 100.0)))[0, 0]
            assert abs(z) == pytest.approx(0.1)
            turn = lag_between(z, first) - 360.0 * blade / blades
            assert (turn + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)

    def test_a_reading_of_second_order_turns_twice_as_far(self) -> None:
        machine = machine_of(rotor_of(3, orders=(2,)))
        first, second = (
            machine.vibration(machine.new(one_move(machine, b, 0, 100.0)))[0, 0] for b in (0, 1)
        )
        assert lag_between(second, first) == pytest.approx(240.0, abs=1e-6)

    def test_uneven_spacing_is_followed(self) -> None:
        machine = machine_of(rotor_of(3, azimuth_deg=(0.0, 100.0, 250.0)))
        first, third = (
            machine.vibration(machine.new(one_move(machine, b, 0, 100.0)))[0, 0] for b in (0, 2)
        )
        assert lag_between(third, first) == pytest.approx(250.0, abs=1e-6)

    def test_the_same_weight_on_every_blade_is_not_felt(self) -> None:
        machine = machine_of(rotor_of(5))
        everywhere = np.zeros((5, 2))
        everywhere[:, 0] = 100.0
        assert np.abs(machine.vibration(machine.new(everywhere))).max() < 1e-12

    def test_a_refitted_reference_turns_each_order_by_its_own_angle(self) -> None:
        machine = machine_of(rotor_of(3, orders=(1, 2)))
        state = machine.new(one_move(machine, 0, 0, 100.0))
        before = machine.vibration(state)
        after = machine.vibration(replace(state, turned_deg=25.0))
        assert lag_between(after[0, 0], before[0, 0]) == pytest.approx(25.0, abs=1e-6)
        assert lag_between(after[1, 0], before[1, 0]) == pytest.approx(50.0, abs=1e-6)


class TestEffects:
    def test_tabs_gain_with_the_square_of_the_airspeed(self) -> None:
        machine = machine_of(rotor_of())
        state = machine.new(one_move(machine, 0, 1, 1.0))
        still = machine.vibration(state, [0.0, 0.0])[0, 0]
        slow = machine.vibration(state, [0.0, 50.0])[0, 1] - still
        fast = machine.vibration(state, [0.0, 100.0])[0, 1] - still
        assert abs(fast) == pytest.approx(4.0 * abs(slow))

    def test_a_lifted_blade_is_seen_against_the_mean_of_all(self) -> None:
        machine = machine_of(rotor_of(4))
        heights = machine.heights(machine.new(one_move(machine, 2, 1, 2.0)))
        assert heights[0] == pytest.approx([-1.0, -1.0, 3.0, -1.0])  # 2 mm per deg at no airspeed
        assert heights[1] == pytest.approx([-2.5, -2.5, 7.5, -2.5])  # 5 mm per deg at 100 kt

    def test_small_moves_follow_the_stated_coefficients(self) -> None:
        machine = machine_of(rotor_of(4), Scatter(blade_spread=0.0, background=0.0))
        small = 1e-3
        for adjuster in range(2):
            z = machine.vibration(machine.new(one_move(machine, 0, adjuster, small)))
            assert z / small == pytest.approx(machine.coefficients()[..., adjuster], rel=1e-5)

    @given(st.floats(0.05, 0.6), st.integers(0, 2**32 - 1))
    @settings(max_examples=30, deadline=None)
    def test_the_answer_is_not_linear_but_nearly_so(self, size: float, seed: int) -> None:
        """Mild: within 6 % and 6 deg up to 0.6 ips, and never exactly proportional."""
        machine = machine_of(rotor_of(4), Scatter(background=0.0), seed)
        small = machine.vibration(machine.new(one_move(machine, 0, 0, 1e-3)))[0, 0] / 1e-3
        amount = size / abs(small)
        large = machine.vibration(machine.new(one_move(machine, 0, 0, amount)))[0, 0] / amount
        assert 0.94 < abs(large / small) < 1.0 - 1e-5
        assert 0.0 < lag_between(large, small) < 6.0

    def test_individuals_differ_from_their_type_by_about_their_spread(self) -> None:
        type_ = type_of(rotor_of(4), replace(ALIKE, adjuster_spread=0.12))
        rng = np.random.default_rng(3)
        true = np.array([type_.individual(rng).coefficients() for _ in range(400)])
        apart = true / machine_of(rotor_of(4)).coefficients() - 1.0
        assert apart.real.std() == pytest.approx(0.12, rel=0.1)
        assert apart.imag.std() == pytest.approx(0.12, rel=0.1)


class TestRuns:
    def test_the_same_seed_gives_the_same_run(self) -> None:
        machine = machine_of(rotor_of(), Scatter())
        state = machine.new(one_move(machine, 1, 0, 150.0))
        first, again = (machine.run(state, np.random.default_rng(9)) for _ in range(2))
        assert np.array_equal(first.readings, again.readings)
        assert np.array_equal(first.track, again.track)

    def test_instruments_round(self) -> None:
        machine = machine_of(rotor_of(), Scatter())
        flown = machine.run(machine.new(one_move(machine, 1, 0, 150.0)), np.random.default_rng(9))
        hundredths = np.abs(flown.readings) * 100.0
        half_degrees = np.rad2deg(np.angle(flown.readings)) * 2.0
        assert hundredths == pytest.approx(np.round(hundredths), abs=1e-6)
        assert half_degrees == pytest.approx(np.round(half_degrees), abs=1e-6)
        assert np.array_equal(flown.track, np.round(flown.track))

    def test_gusts_have_heavier_tails_than_a_normal_law(self) -> None:
        readings = runs(replace(ALIKE, gust_sd=0.01), 3000)
        assert kurtosis(readings.real.ravel()) > 1.0

    def test_gusts_have_the_stated_size_in_usual_wind_and_more_in_strong_wind(self) -> None:
        scatter = replace(ALIKE, gust_sd=0.01, gust_freedom=50.0)
        assert runs(scatter, 2000).real.std() == pytest.approx(0.01, rel=0.06)
        assert runs(scatter, 2000, Weather(wind_kt=30.0)).real.std() > 0.012

    def test_channels_of_a_run_are_moved_together(self) -> None:
        readings = runs(replace(ALIKE, gust_sd=0.01, gust_freedom=50.0), 3000)
        together = np.corrcoef(readings[:, 0, 0].real, readings[:, 0, 1].real)[0, 1]
        assert together == pytest.approx(0.3, abs=0.08)

    def test_run_to_run_change_adds_up_over_runs(self) -> None:
        machine = machine_of(rotor_of(), replace(ALIKE, walk_sd=0.01))
        rng = np.random.default_rng(4)
        ends = []
        for _ in range(800):
            state = machine.new()
            for _ in range(4):
                flown = machine.run(state, rng)
                state = flown.state
            ends.append(flown.readings.ravel())
        assert np.array(ends).real.std() == pytest.approx(0.02, rel=0.1)  # sqrt(4) * 0.01

    def test_only_hardware_that_is_not_exact_is_moved_inexactly(self) -> None:
        machine = machine_of(rotor_of())
        rng = np.random.default_rng(5)
        moves = np.zeros((4, 2))
        moves[0] = [50.0, 2.0]
        made = np.array([machine.move(machine.new(), moves, rng).amounts for _ in range(500)])
        assert np.all(made[:, 0, 0] == 50.0)
        assert made[:, 0, 1].std() == pytest.approx(0.2, rel=0.1)
        assert np.all(made[:, 1:] == 0.0)
        assert np.array_equal(machine.move(machine.new(), moves).amounts, moves)

    def test_a_rotor_without_track_has_none(self) -> None:
        machine = machine_of(rotor_of(2, track=False), Scatter())
        assert not machine.run(machine.new(), np.random.default_rng(1)).track.any()

    def test_a_run_leaves_the_state_it_began_with_as_it_was(self) -> None:
        machine = machine_of(rotor_of(), Scatter())
        state = machine.new()
        machine.run(state, np.random.default_rng(1))
        assert not state.walk.any()
        assert not state.track_walk.any()


def test_a_sensor_made_of_others_is_refused() -> None:
    rotor = rotor_of()
    both = Sensor("both", "ips", combination={"sensor 1": 1.0})
    with pytest.raises(AdaptError, match="made of others"):
        machine_of(replace(rotor, sensors=(*rotor.sensors, both)))


def runs(scatter: Scatter, number: int, weather: Weather | None = None) -> np.ndarray:
    """Return readings of many single runs about a large steady vibration, less its mean."""
    machine = machine_of(rotor_of(), scatter)
    state = machine.new(one_move(machine, 0, 0, 100.0))
    rng = np.random.default_rng(7)
    readings = np.array([machine.run(state, rng, weather).readings for _ in range(number)])
    return readings - readings.mean(axis=0)
