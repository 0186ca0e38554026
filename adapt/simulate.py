"""An independent machine to practise on: what a real rotor does, not what the learner assumes.

Mechanics in the time domain: every blade's push is a wave of its own, delayed by the blade's
passing, and the instrument correlates their sum with sine and cosine over one revolution, as real
ones do. Coefficients, the harmonic sums of `effects` and the learner's noise model are deliberately
not used, so that an error there shows. What the demo's fleet went through, and the technician who
made its history with a paper chart, live in `scenario`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from adapt.problems import AdaptError
from adapt.rotor import Rotor

__all__ = ["Flown", "Machine", "RotorType", "Scatter", "State", "Weather"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Scatter:
    """How machines differ from their type, and runs from each other.

    Spreads are standard deviations, those of complex factors per component. What the numbers are
    is common practice, no source.

    adjuster_spread: a machine's coefficient of one adjuster at one sensor, as a share of its
    type's. airspeed_spread: how far that share drifts with airspeed. sensor_gain, sensor_turn_deg:
    gain and rotation that all adjusters share at one sensor of a machine. blade_spread: blades of
    one machine, as a share.

    In the sensors' own unit: background (vibration that no adjuster causes, in each channel), knee
    (amplitude at which the response is a quarter short of proportional), gust_sd (reading scatter;
    Student-t with gust_freedom, above 2), walk_sd (run-to-run change), amplitude_grid.
    stiffening_deg: more lag for each unit of amplitude. shared: the share of the variance of gusts
    and of run-to-run change that all channels of a run have in common. airspeed_kt: how closely a
    regime's airspeed is held. clock_grid_deg: the instrument's steps.

    In track units: track_sd (reading scatter), track_walk_sd (run-to-run change), track_shape
    (heights that no adjuster causes), track_grid.
    """

    adjuster_spread: float = 0.12
    airspeed_spread: float = 0.06
    sensor_gain: float = 0.08
    sensor_turn_deg: float = 6.0
    blade_spread: float = 0.03
    background: float = 0.03
    knee: float = 2.0
    stiffening_deg: float = 8.0
    gust_sd: float = 0.013
    gust_freedom: float = 4.0
    walk_sd: float = 0.012
    shared: float = 0.3
    airspeed_kt: float = 2.5
    amplitude_grid: float = 0.01
    clock_grid_deg: float = 0.5
    track_sd: float = 1.0
    track_walk_sd: float = 0.7
    track_shape: float = 0.8
    track_grid: float = 1.0


@dataclass(frozen=True, eq=False)
class RotorType:
    """The average rotor of a type, as mechanics: what one unit on the first blade does.

    still, air: complex (amplitude and lag) per unit, shape (sensor, adjuster): the part that is
        there at no airspeed, and what is added for each (100 kt)^2.
    turn_deg: more lag for each 100 kt, shape (sensor,). place: complex factor of a regime
        (undercarriage on the ground, wake in a descent), shape (sensor, regime).
    track_still, track_air: height per unit, shape (adjuster,); track_place: (regime,).
    """

    rotor: Rotor
    still: Complex
    air: Complex
    turn_deg: Real
    place: Complex
    track_still: Real
    track_air: Real
    track_place: Real
    scatter: Scatter = field(default_factory=Scatter)

    def individual(self, rng: np.random.Generator) -> Machine:
        """Return one machine of the type, drawn with the type's scatter."""
        rotor, s = self.rotor, self.scatter
        if any(x.combination for x in rotor.sensors):
            raise AdaptError("a sensor that is made of others cannot be simulated; leave it out")
        sensors, regimes = len(rotor.sensors), len(rotor.regimes)
        blades, adjusters = len(rotor.blades), len(rotor.adjusters)
        gain = np.exp(s.sensor_gain * rng.standard_normal(sensors))
        turn = np.deg2rad(s.sensor_turn_deg) * rng.standard_normal(sensors)
        own = 1 + s.adjuster_spread * _cn(rng, (sensors, adjusters))
        alike = 1 + s.blade_spread * _cn(rng, (blades, sensors, adjusters))
        answer = (gain * np.exp(1j * turn))[:, None] * own * alike
        return Machine(
            type_=self,
            still=self.still * answer,
            air=self.air * answer,
            bend=s.airspeed_spread * _cn(rng, (sensors, adjusters)),
            lift=(1 + s.adjuster_spread * rng.standard_normal(adjusters))
            * (1 + s.blade_spread * rng.standard_normal((blades, adjusters))),
            background=s.background * _cn(rng, (sensors, regimes)),
            shape=s.track_shape * rng.standard_normal((regimes, blades)),
            droop=2.0 * rng.standard_normal(blades),
        )


@dataclass(frozen=True)
class Weather:
    """Conditions of a run: load is gross weight over the usual gross weight (1 = as usual)."""

    load: float = 1.0
    wind_kt: float = 8.0


@dataclass(frozen=True, eq=False)
class State:
    """What a machine is like before its next run.

    amounts: everything on the blades that is out of balance or track, in adjuster units, shape
        (blade, adjuster): the rotor's hidden faults and all moves made so far, as really made.
    walk: what the runs so far have changed by themselves, shape (sensor, regime); track_walk:
        (regime, blade). turned_deg: lag that a re-fitted phase reference added, in shaft angle.
    """

    amounts: Real
    walk: Complex
    track_walk: Real
    turned_deg: float = 0.0


@dataclass(frozen=True, eq=False)
class Flown:
    """One run as the instruments give it, in every regime, and the machine's state after it.

    readings: complex, lag, on the instrument's grid, shape (sensor, regime); `.ravel()` follows
    rotor.channels. track: heights over the tracker's own datum, lag: aft positive, both (regime,
    blade), zero when the rotor has no track. airspeed_kt: as really flown, shape (regime,).
    """

    readings: Complex
    track: Real
    lag: Real
    airspeed_kt: Real
    state: State


@dataclass(frozen=True, eq=False)
class Machine:
    """One individual rotor with its own truth. Made by `RotorType.individual`.

    still, air: complex per unit, shape (blade, sensor, adjuster), before the blade's passing delay.
    bend: how the answer departs with airspeed, (sensor, adjuster); lift: factor on track effects,
    (blade, adjuster); background, shape, droop: readings, heights and lead/lag of a rotor that is
    perfectly adjusted, (sensor, regime), (regime, blade) and (blade,).
    """

    type_: RotorType
    still: Complex
    air: Complex
    bend: Complex
    lift: Real
    background: Complex
    shape: Real
    droop: Real

    @property
    def rotor(self) -> Rotor:
        """The rotor design."""
        return self.type_.rotor

    @cached_property
    def _nominal_kt(self) -> Real:
        return np.array([r.airspeed_kt or 0.0 for r in self.rotor.regimes])

    @cached_property
    def _waves(self) -> tuple[Real, Real, Real, Real]:
        """Cosine and sine of every sensor's order, delayed by each blade, and not delayed.

        Shapes (blade, sensor, time) and (sensor, time), over one revolution.
        """
        n = len(self.rotor.blades)
        given = self.rotor.azimuth_deg
        passes = np.deg2rad(given) if given is not None else np.arange(n) * (2 * np.pi / n)
        orders = np.array([s.order for s in self.rotor.sensors])
        steps = max(48, 16 * int(orders.max()))
        shaft = np.arange(steps) * (2 * np.pi / steps)
        seen = orders[:, None] * (shaft - passes[:, None, None])
        clock = orders[:, None] * shaft
        return np.cos(seen), np.sin(seen), np.cos(clock), np.sin(clock)

    def new(self, amounts: npt.ArrayLike | None = None) -> State:
        """Return the state of the machine with these hidden faults, shape (blade, adjuster)."""
        rotor = self.rotor
        blades, regimes = len(rotor.blades), len(rotor.regimes)
        none = np.zeros((blades, len(rotor.adjusters)))
        return State(
            amounts=none if amounts is None else np.array(amounts, dtype=float),
            walk=np.zeros((len(rotor.sensors), regimes), dtype=complex),
            track_walk=np.zeros((regimes, blades)),
        )

    def move(
        self, state: State, amounts: npt.ArrayLike, rng: np.random.Generator | None = None
    ) -> State:
        """Return the state after moves (blade, adjuster), made as exactly as people make them.

        Without rng they are made exactly.
        """
        asked = np.asarray(amounts, dtype=float)
        made = asked
        if rng is not None:
            sd = np.array([a.amount_sd for a in self.rotor.adjusters])
            made = asked + np.where(asked != 0.0, sd, 0.0) * rng.standard_normal(asked.shape)
        return replace(state, amounts=state.amounts + made)

    def run(self, state: State, rng: np.random.Generator, weather: Weather | None = None) -> Flown:
        """Return one run in every regime: airspeed scatter, gusts, run-to-run change, rounding."""
        s, rotor = self.type_.scatter, self.rotor
        weather = weather or Weather()
        sensors, regimes = len(rotor.sensors), len(rotor.regimes)
        blades = len(rotor.blades)
        moving = self._nominal_kt > 0.0
        speed = self._nominal_kt + moving * s.airspeed_kt * rng.standard_normal(regimes)
        steps = np.sqrt(s.shared) * _cn(rng, ()) + np.sqrt(1 - s.shared) * _cn(
            rng, (sensors, regimes)
        )
        state = replace(
            state,
            walk=state.walk + s.walk_sd * steps,
            track_walk=state.track_walk + s.track_walk_sd * rng.standard_normal((regimes, blades)),
        )
        rough = (1 + weather.wind_kt / 40.0) / 1.2
        tail = np.sqrt((s.gust_freedom - 2) / rng.chisquare(s.gust_freedom, regimes)) * rough
        gust = np.sqrt(s.shared) * _cn(rng, ()) + np.sqrt(1 - s.shared) * _cn(
            rng, (sensors, regimes)
        )
        z = self.vibration(state, speed, weather.load) + s.gust_sd * tail * gust
        if rotor.has_track:
            noise = s.track_sd * tail[:, None] * rng.standard_normal((regimes, blades))
            datum = 3.0 * rng.standard_normal((regimes, 1))
            track = _to_grid(self.heights(state, speed) + noise + datum, s.track_grid)
            lag = _to_grid(self.droop + s.track_sd * rng.standard_normal((regimes, blades)), 1.0)
        else:
            track = lag = np.zeros((regimes, blades))
        return Flown(self._read_off(z), track, lag, speed, state)

    def vibration(
        self, state: State, airspeed_kt: npt.ArrayLike | None = None, load: float = 1.0
    ) -> Complex:
        """Return what a perfect instrument reads in calm air, complex (lag), (sensor, regime).

        airspeed_kt: as flown, shape (regime,); the regimes' own when not given.
        """
        s = self.type_.scatter
        push = np.einsum("ba,bsra->bsr", state.amounts, self._answer(airspeed_kt, load))
        cos_b, sin_b, cos_t, sin_t = self._waves
        wave = np.einsum("bsr,bst->srt", push.real, cos_b)
        wave += np.einsum("bsr,bst->srt", push.imag, sin_b)
        rest = self.background + state.walk
        wave += rest.real[..., None] * cos_t[:, None] + rest.imag[..., None] * sin_t[:, None]
        wave = wave / np.sqrt(1 + (wave / s.knee) ** 2)
        in_phase = 2 * np.einsum("srt,st->sr", wave, cos_t) / wave.shape[-1]
        quadrature = 2 * np.einsum("srt,st->sr", wave, sin_t) / wave.shape[-1]
        size = np.hypot(in_phase, quadrature)
        orders = np.array([[x.order] for x in self.rotor.sensors])
        later = np.deg2rad(s.stiffening_deg * size + orders * state.turned_deg)
        lag = np.arctan2(quadrature, in_phase) + later
        return np.asarray(size * np.cos(lag) + 1j * size * np.sin(lag))

    def heights(self, state: State, airspeed_kt: npt.ArrayLike | None = None) -> Real:
        """Return the blades' true heights about their mean, shape (regime, blade)."""
        t = self.type_
        speed = self._nominal_kt if airspeed_kt is None else np.asarray(airspeed_kt, dtype=float)
        per_unit = (t.track_still + np.outer((speed / 100) ** 2, t.track_air)) * t.track_place[
            :, None
        ]
        h = np.einsum("ra,ba,ba->rb", per_unit, self.lift, state.amounts)
        h = h + self.shape + state.track_walk
        return np.asarray(h - h.mean(axis=1, keepdims=True))

    def coefficients(self, turned_deg: float = 0.0) -> Complex:
        """Return the true influence coefficients of small moves, shape (sensor, regime, adjuster).

        The mean over the blades, at the regimes' own airspeeds; complex (lag).
        """
        orders = np.array([s.order for s in self.rotor.sensors])
        turn = np.exp(1j * np.deg2rad(orders * turned_deg))
        return np.asarray(self._answer(None, 1.0).mean(axis=0) * turn[:, None, None])

    def track_coefficients(self) -> Real:
        """Return the true track effect of one unit, mean over the blades, (regime, adjuster)."""
        t = self.type_
        still = t.track_still + np.outer((self._nominal_kt / 100) ** 2, t.track_air)
        return np.asarray(still * t.track_place[:, None] * self.lift.mean(axis=0))

    def _answer(self, airspeed_kt: npt.ArrayLike | None, load: float) -> Complex:
        """Return the answer to one unit on each blade, (blade, sensor, regime, adjuster)."""
        speed = self._nominal_kt if airspeed_kt is None else np.asarray(airspeed_kt, dtype=float)
        v = speed / 100
        t = self.type_
        air = (v**2 * (1 - 0.3 * (load - 1)))[:, None]
        answer = self.still[:, :, None, :] + air * self.air[:, :, None, :]
        turn = np.exp(1j * np.deg2rad(np.outer(t.turn_deg, v)))
        bend = 1 + self.bend[:, None, :] * np.sin(1.5 * v)[:, None]
        return np.asarray(answer * (t.place * turn)[..., None] * bend)

    def _read_off(self, z: Complex) -> Complex:
        """Return readings on the instrument's grid of amplitude and clock angle."""
        s = self.type_.scatter
        amplitude = _to_grid(np.abs(z), s.amplitude_grid)
        lag = np.deg2rad(_to_grid(np.rad2deg(np.angle(z)), s.clock_grid_deg))
        return np.asarray(amplitude * np.exp(1j * lag))


def _cn(rng: np.random.Generator, shape: tuple[int, ...]) -> Complex:
    """Return complex normal numbers of standard deviation 1 per component."""
    return np.asarray(rng.standard_normal(shape) + 1j * rng.standard_normal(shape))


def _to_grid(values: Real, grid: float) -> Real:
    return np.asarray(np.round(values / grid) * grid)
