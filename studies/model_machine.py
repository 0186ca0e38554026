"""A machine that is the learner's own model: linear, blades alike, normal and independent noise.

It answers the same calls as the machine of `adapt.simulate`, so that the same jobs can be flown on
it. Nothing of the learner's code is used: this is the model's definition, drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from adapt.chart import Chart
from adapt.rotor import Rotor
from adapt.simulate import Flown, State, Weather

__all__ = ["ModelMachine", "model_machine", "model_rotor", "model_type"]

READING_SD, RUN_SD = 0.015, 0.015  # [ips] per component
TRACK_READING_SD, TRACK_RUN_SD = 1.0, 0.8  # [mm]
BACKGROUND, SHAPE = 0.03, 0.8  # sds of what no adjuster causes [ips], [mm]
SHARES = (0.08, 0.07, 0.06)  # sds per component by which rotors differ: sensor, adjuster, rest
LEAST = 0.2  # of an adjuster's rms over regimes: what a small coefficient counts as in the rest


@dataclass(frozen=True, eq=False)
class ModelMachine:
    """One rotor. own: (sensor, regime, adjuster), complex lag; lift: (regime, adjuster).

    background, shape: readings and heights without any fault, (sensor, regime), (regime, blade).
    noise: factor on all sds of noise.
    """

    rotor: Rotor
    own: np.ndarray
    lift: np.ndarray
    background: np.ndarray
    shape: np.ndarray
    noise: float

    def new(self) -> State:
        """Return the state of the rotor without faults."""
        amounts = np.zeros((len(self.rotor.blades), len(self.rotor.adjusters)))
        return State(amounts, np.zeros_like(self.background), np.zeros_like(self.shape))

    def move(
        self, state: State, amounts: np.ndarray, rng: np.random.Generator | None = None
    ) -> State:
        """Return the state after moves (blade, adjuster), which are made exactly."""
        return replace(state, amounts=state.amounts + amounts)

    def run(self, state: State, rng: np.random.Generator, weather: Weather | None = None) -> Flown:
        """Return one run in every regime; the weather does nothing."""
        walk = state.walk + self.noise * RUN_SD * _circular(rng, state.walk.shape)
        sd = self.noise * TRACK_RUN_SD
        track_walk = state.track_walk + sd * rng.standard_normal(state.track_walk.shape)
        state = replace(state, walk=walk, track_walk=track_walk)
        z = self.vibration(state) + self.noise * READING_SD * _circular(rng, walk.shape)
        scatter = rng.standard_normal(track_walk.shape)
        h = self.heights(state) + self.noise * TRACK_READING_SD * scatter
        speed = np.array([r.airspeed_kt or 0.0 for r in self.rotor.regimes])
        return Flown(z, h, np.zeros_like(h), speed, state)

    def vibration(self, state: State) -> np.ndarray:
        """Return true readings, (sensor, regime)."""
        x = np.exp(1j * self.rotor.psi) @ state.amounts
        turn = np.exp(1j * np.deg2rad(state.turned_deg))
        return np.asarray((self.own @ x + self.background + state.walk) * turn)

    def heights(self, state: State) -> np.ndarray:
        """Return true heights about their mean, (regime, blade)."""
        h = self.lift @ state.amounts.T + self.shape + state.track_walk
        return np.asarray(h - h.mean(axis=1, keepdims=True))

    def coefficients(self, turned_deg: float = 0.0) -> np.ndarray:
        """Return the true coefficients, (sensor, regime, adjuster)."""
        return np.asarray(self.own * np.exp(1j * np.deg2rad(turned_deg)))

    def track_coefficients(self) -> np.ndarray:
        """Return the true track effects, (regime, adjuster)."""
        return self.lift


def model_rotor(rotor: Rotor, noise: float) -> Rotor:
    """Return the rotor file that states the noise as it is, and that moves are made exactly."""
    exact = tuple(replace(a, amount_sd=0.0) for a in rotor.adjusters)
    sensors = tuple(
        replace(s, reading_sd=noise * READING_SD, run_to_run_sd=noise * RUN_SD)
        for s in rotor.sensors
    )
    return replace(
        rotor,
        adjusters=exact,
        sensors=sensors,
        track_reading_sd=noise * TRACK_READING_SD,
        track_run_to_run_sd=noise * TRACK_RUN_SD,
    )


def model_type(rng: np.random.Generator, chart: Chart) -> tuple[np.ndarray, np.ndarray]:
    """Return a type as far from its chart as the chart says: (channel, adjuster), track's."""
    mean = chart.mean + chart.sd * _circular(rng, chart.mean.shape)
    track = chart.track_mean + chart.track_sd * rng.standard_normal(chart.track_mean.shape)
    return mean, track


def model_machine(
    rng: np.random.Generator, rotor: Rotor, true: tuple[np.ndarray, np.ndarray], noise: float
) -> ModelMachine:
    """Return one rotor of a type (as `model_type` gives it), by the model's spread of rotors."""
    sensors, regimes, adjusters = len(rotor.sensors), len(rotor.regimes), len(rotor.adjusters)
    c, t = true[0].reshape(sensors, regimes, adjusters), true[1]
    gain, adjuster, rest = SHARES
    factor = 1.0 + gain * _circular(rng, (sensors, 1, 1))
    factor = factor + adjuster * _circular(rng, (sensors, 1, adjusters))
    own = c * factor + rest * _held(c, axis=1) * _circular(rng, c.shape)
    share = 1.0 + gain * rng.standard_normal() + adjuster * rng.standard_normal(adjusters)
    lift = t * share + rest * _held(t, axis=0) * rng.standard_normal(t.shape)
    blades = len(rotor.blades)
    return ModelMachine(
        rotor,
        own,
        lift,
        BACKGROUND * _circular(rng, (sensors, regimes)),
        SHAPE * rng.standard_normal((regimes, blades)),
        noise,
    )


def _held(c: np.ndarray, axis: int) -> np.ndarray:
    """Return |c|, at least a share of its rms over regimes."""
    return np.maximum(np.abs(c), LEAST * np.sqrt((np.abs(c) ** 2).mean(axis=axis, keepdims=True)))


def _circular(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
