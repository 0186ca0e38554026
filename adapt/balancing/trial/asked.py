"""What a trial weight is asked for, and what is read before it: values, and what is wrong in them.

Every rule of thumb here is common practice with no source unless it says otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from adapt.balancing.unbalance import not_positive
from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem

__all__ = ["FORCE_SHARE", "GRADE_MULTIPLES", "NOISES", "Asked", "Bound", "Now", "require"]

GRADE_MULTIPLES = (5.0, 10.0)  # of the permissible unbalance: less shows too little, more is risky
FORCE_SHARE = 0.10  # of the rotor's weight
NOISES = 3.0  # sds of the noise that a change has to be
STOP_MULTIPLE = 2.0  # of the amplitude there is, where no stop amplitude is given (own rule)


@dataclass(frozen=True)
class Now:
    """One reading before the trial.

    amplitude, noise_sd (per component, of the change between two runs), limit: in the sensor's
    unit; limit None = none. effect, effect_sd: what one unit of the adjuster does, amplitude and sd
    per component, by a chart or by coefficients; None = not known. stop: what the amplitude must
    not exceed; None = by the program's own rule.
    """

    sensor: str
    regime: str
    amplitude: float
    noise_sd: float
    unit: str = ""
    limit: float | None = None
    effect: float | None = None
    effect_sd: float = 0.0
    stop: float | None = None

    @property
    def stop_at(self) -> float:
        """The amplitude at which to shut down: as given, else twice the reading or the limit."""
        if self.stop is not None:
            return self.stop
        return max(STOP_MULTIPLE * self.amplitude, self.limit or 0.0)


@dataclass(frozen=True)
class Bound:
    """One bound on the amount [the adjuster's unit]; kind and words say which it is."""

    kind: str
    amount: float
    words: str


@dataclass(frozen=True)
class Asked:
    """What a trial weight is asked for.

    mass_kg: of the rotor. radius_mm: of the weight. rpm: the highest speed of the trial run and of
    service [1/min]. fitted: what the blade carries now [the adjuster's unit]. grade: balance
    quality grade G [mm/s]. multiple: most of the permissible unbalance that the trial may be.
    blade: which carries it, "" = any. room: what the hardware leaves on it, where more is known
    than `fitted` (see `room`); () = the adjuster's own ranges.
    """

    mass_kg: float
    radius_mm: float
    rpm: float
    grade: float = 6.3
    multiple: float = GRADE_MULTIPLES[1]
    force_share: float = FORCE_SHARE
    fitted: float = 0.0
    noises: float = NOISES
    blade: str = ""
    room: tuple[Bound, ...] = ()


def require(asked: Asked, now: Sequence[Now]) -> None:
    """Raise BadInput with everything that is wrong with the numbers."""
    above_0 = {
        "mass [kg]": asked.mass_kg,
        "radius [mm]": asked.radius_mm,
        "speed [rpm]": asked.rpm,
        "grade [mm/s]": asked.grade,
        "multiple of the permissible unbalance": asked.multiple,
        "share of the rotor's weight": asked.force_share,
        "noise multiple": asked.noises,
    }
    at_least_0 = {"amount fitted": asked.fitted}
    for n in now:
        of = f" of {n.sensor} in {n.regime}"
        at_least_0 |= {
            f"amplitude{of}": n.amplitude,
            f"noise{of}": n.noise_sd,
            f"effect{of}": 0.0 if n.effect is None else n.effect,
            f"sd of the effect{of}": n.effect_sd,
        }
        if n.stop is not None:
            above_0[f"stop amplitude{of}"] = n.stop
    problems = not_positive(above_0)
    problems += [
        Problem("fault", name, None, None, f"{value:g}", "a number of at least 0")
        for name, value in at_least_0.items()
        if not 0.0 <= value <= LARGEST_NUMBER
    ]
    problems += [
        Problem("fault", f"stop amplitude of {n.sensor} in {n.regime}", None, None,
                f"{n.stop:g}", f"more than what is read there already, {n.amplitude:g}")
        for n in now
        if n.stop is not None and n.stop > 0.0 and n.stop <= n.amplitude
    ]  # fmt: skip
    if problems:
        raise BadInput(problems)
