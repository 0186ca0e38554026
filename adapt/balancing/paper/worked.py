"""A worked example on a chart, and how sure a correction is that is read off it.

Amounts are rounded as a person does: each axis to its nearest whole step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from adapt.balancing.paper.adjusters import most_of
from adapt.balancing.paper.axes import Axes
from adapt.coefficients import Coefficients
from adapt.coefficients.intervals import amplitude_below, amplitude_interval, phase_half_width
from adapt.phasor import phase_deg, to_complex
from adapt.rotor import Adjuster, Rotor

__all__ = ["EffectKnown", "Example", "effects_known", "usual_example", "work"]

PART_OF_SCALE = 0.7  # where the usual example stands
LEAST_PART = 0.1
MINUTES = 10.0  # of clock, to which its angle is rounded
LEVEL = 0.95


@dataclass(frozen=True)
class Example:
    """A reading, what corrects it, and what is then to be expected.

    reading, left: complex, in the sensor's own convention and unit; left is what the rounded
    amounts leave, as predicted. exact, rounded: (2,) amounts [adjuster units]. effect_sd: how well
    what the rounded amounts do is known; next_sd: of the next reading, with scatter and run-to-run
    change; both per component [sensor unit]. within: as effect_sd, but the distance that 95 in 100
    stay under. reach: the amplitude under which 95 in 100 next readings are;
    NaN where the noise is not known. beyond: axes whose amount no single move may make.
    """

    reading: complex
    exact: tuple[float, float]
    rounded: tuple[float, float]
    left: complex
    effect_sd: float
    within: float
    next_sd: float
    reach: float
    beyond: tuple[int, ...]


@dataclass(frozen=True)
class EffectKnown:
    """How well one axis's effect is known: half its 95 % interval.

    amplitude [sensor unit per adjuster unit], phase_deg in the sensor's own convention; percent of
    the amplitude; degrees of phase.
    """

    amplitude: float
    phase_deg: float
    percent: float
    degrees: float


def effects_known(axes: Axes) -> tuple[EffectKnown, EffectKnown]:
    """Return what one unit of each axis does and how well that is known."""
    sd = np.sqrt(np.maximum(np.diag(axes.cov).real, 0.0) / 2.0)
    size = np.abs(axes.effects)
    low, high = amplitude_interval(axes.effects, sd, LEVEL)
    known = []
    for k in (0, 1):
        half = float(phase_half_width(np.array(size[k] / sd[k]), LEVEL)) if sd[k] > 0 else 0.0
        known.append(
            EffectKnown(
                float(size[k]),
                float(phase_deg(axes.effects[k])),
                float(50.0 * (high[k] - low[k]) / size[k]),
                math.degrees(half),
            )
        )
    return known[0], known[1]


def usual_example(axes: Axes, adjusters: tuple[Adjuster, Adjuster], full: float) -> complex:
    """Return a reading on the chart whose correction needs much of both axes, in round numbers.

    adjusters: of the axes; one move of each is enough where that leaves a reading that is not too
    small to see. full: the chart's full scale. Complex, in the sensor's own convention.
    """
    one, other = (complex(e) / abs(e) for e in axes.effects)
    # Against each other where both together would go a long way round.
    together = (one.conjugate() * other).real >= 0.0
    phase = float(phase_deg(-(one + other if together else one - other)))
    step = MINUTES * 0.5
    phase = step * round(phase / step)
    largest = max(
        abs(x) / most_of(a) if most_of(a) > 0 else math.inf
        for x, a in zip(axes.amounts_for(complex(to_complex(full, phase))), adjusters, strict=True)
    )
    amplitude = full * max(LEAST_PART, min(PART_OF_SCALE, 1.0 / largest))
    power = 10.0 ** (math.floor(math.log10(amplitude)) - 1)
    return complex(to_complex(float(f"{math.floor(amplitude / power + 1e-9) * power:.10g}"), phase))


def work(axes: Axes, rotor: Rotor, coefficients: Coefficients, reading: complex) -> Example:
    """Return the worked example of a reading (complex, the sensor's own convention and unit)."""
    exact = axes.amounts_for(reading)
    adjusters = [rotor.adjuster(axis.adjuster) for axis in axes.pair]
    steps = [round(x / a.step) for x, a in zip(exact, adjusters, strict=True)]
    rounded = (steps[0] * adjusters[0].step, steps[1] * adjusters[1].step)
    left = axes.left_of(reading, rounded)
    row = coefficients.channels.index((axes.sensor, axes.regime))
    moved = np.zeros(len(rotor.adjusters))
    for axis, k in zip(axes.pair, steps, strict=True):
        moved[rotor.adjuster_names.index(axis.adjuster)] += k != 0
    noise = coefficients.noise
    # Both readings scatter, the one that is corrected and the next; the rotor changes in between.
    scatter = float(noise.run_var_after(moved)[row] + 2.0 * noise.reading_var[row])
    effect_var = axes.effect_var(rounded)
    effect_sd = math.sqrt(effect_var / 2.0)
    next_sd = math.sqrt((effect_var + scatter) / 2.0)
    beyond = tuple(
        k
        for k, (x, a) in enumerate(zip(rounded, adjusters, strict=True))
        if abs(x) > most_of(a) + 1e-6 * a.step
    )
    within, reach = amplitude_below(np.array([0.0, left]), np.array([effect_sd, next_sd]), LEVEL)
    return Example(
        reading, exact, rounded, left, effect_sd, float(within), next_sd, float(reach), beyond
    )
