"""Nice numbers of a chart: full scale, rings, and which amounts get a line.

Numbers only; where things stand on paper lives in `page`.
"""

from __future__ import annotations

import math

from adapt.problems import BadInput

__all__ = ["amount_text", "full_scale", "rings", "spacing_of_lines"]

ROOM = 1.25  # full scale over the largest that has to stand on the chart
LEAST_RINGS = 4
LEAST_BETWEEN_LINES = 3.0  # [mm]: closer lines cannot be told apart with a pencil
LEAST_BETWEEN_LABELS = 9.0  # [mm]
TOLERANCE = 1e-9
_FULL = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
_STEP = (1.0, 2.0, 2.5, 5.0, 10.0)


def full_scale(needed: float) -> float:
    """Return a round number that leaves a quarter of room above what is needed, in its unit.

    Range: needed > 0, else BadInput.

    >>> full_scale(0.4), full_scale(0.41), full_scale(12.0), full_scale(3.2)
    (0.5, 0.6, 15.0, 4.0)
    """
    if not 0.0 < needed < math.inf:
        raise BadInput(f"full scale: found {needed:g}, expected something above 0 to show")
    return _next(ROOM * needed, _FULL)


def rings(full: float) -> tuple[float, ...]:
    """Return the amplitudes of the rings, even steps that read well; the last is the full scale.

    >>> rings(0.5), rings(1.5)
    ((0.1, 0.2, 0.3, 0.4, 0.5), (0.25, 0.5, 0.75, 1.0, 1.25, 1.5))
    """
    steps = [_next(full / (2 * LEAST_RINGS), _STEP)]
    while full / steps[-1] > LEAST_RINGS:
        steps.append(_next(1.01 * steps[-1], _STEP))
    even = [s for s in steps if abs(full / s - round(full / s)) < 1e-6]
    step = (even or steps)[0]
    # From whole numbers, so that 3 * 0.1 is written 0.3.
    inner = [_rounded(k * step) for k in range(1, math.ceil(full / step - TOLERANCE))]
    return (*inner, full)


def spacing_of_lines(step: float, mm_per_step: float) -> tuple[int, int]:
    """Return how many steps lie between two lines, and every which line is heavy and labelled.

    step: the adjuster's smallest change [its unit]; mm_per_step: how far apart its lines would be.
    Lines stand at least 3 mm apart, labels 9 mm, at amounts that read well where the step allows.

    >>> spacing_of_lines(20.0, 1.35), spacing_of_lines(0.125, 2.0), spacing_of_lines(1.0, 12.0)
    ((5, 2), (2, 4), (1, 1))
    """
    most = 1 if mm_per_step >= LEAST_BETWEEN_LINES else math.ceil(
        LEAST_BETWEEN_LINES / mm_per_step - TOLERANCE
    )  # fmt: skip
    between = most if most == 1 else _nice_multiple(step, most)
    heavy = max(1, math.ceil(LEAST_BETWEEN_LABELS / (between * mm_per_step) - TOLERANCE))
    return between, heavy if heavy == 1 else _nice_multiple(between * step, heavy)


def amount_text(amount: float, every: float) -> str:
    """Return a signed amount with the decimals that whole multiples of `every` need.

    Its minus is long enough to be seen on paper.

    >>> amount_text(-40.0, 20.0), amount_text(1.5, 0.5), amount_text(0.0, 0.5)
    ('−40', '+1.5', '0')
    """
    digits = next((d for d in range(6) if abs(every - round(every, d)) < 1e-9), 6)
    rounded = round(amount, digits)
    return "0" if rounded == 0 else f"{rounded:+.{digits}f}".replace("-", "−")


def _nice_multiple(unit: float, least: int) -> int:
    """Return a whole number, `least` or a little more, whose product with a unit reads well."""
    amount = _next(least * unit, _STEP)
    for _ in range(len(_STEP)):
        steps = amount / unit
        if abs(steps - round(steps)) < 1e-6 * max(1.0, steps):
            return round(steps)
        amount = _next(1.01 * amount, _STEP)
    # A step such as 1/6 or 28.35 never gives round amounts: round counts of steps then.
    return round(_next(least, (1.0, 2.0, 5.0, 10.0)))


def _next(value: float, mantissas: tuple[float, ...]) -> float:
    """Return the smallest of mantissas times a power of ten that is at least a value."""
    power = math.floor(math.log10(value) + TOLERANCE)
    for mantissa in (*mantissas, 10.0 * mantissas[1]):
        found = _rounded(mantissa * 10.0**power)
        if found >= value * (1.0 - TOLERANCE):
            return found
    raise AssertionError("a mantissa of 10 reaches any value")


def _rounded(value: float) -> float:
    return float(f"{value:.10g}")
