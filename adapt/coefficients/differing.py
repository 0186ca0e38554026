"""The numbers in which two sets of coefficients differ: whether learning again gives the same.

A mean, a variance and a level of noise are held against their own size, a covariance against the
square root of the two variances that it belongs to, a correlation against 1: so that what is 0 but
for rounding does not look like a difference. Whatever else a set says must be the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients.values import Coefficients, Noise, Posterior

__all__ = ["Compared", "Difference", "compare_numbers"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

MOST_TOLD = 1_000  # differences that are kept to be told; all are counted
UNLIKE = (
    "made", "log", "log_change", "log_seal", "rotor_file", "chart", "version", "updated_from",
    "updated_from_change", "updated_from_seal",
)  # fmt: skip
"""What the origin says of when, from where and by which program, not of what was learned."""


@dataclass(frozen=True)
class Difference:
    """One number that is not the same. where: in words; relative: infinite where one is missing."""

    where: str
    stored: complex
    now: complex
    relative: float


@dataclass(frozen=True)
class Compared:
    """How two sets differ. largest: the largest relative difference over all numbers.

    numbers: how many were held beside each other. differing: those beyond the tolerance, the first
    of `differing_count`. other: what else differs, in words.
    """

    largest: float
    numbers: int
    differing: tuple[Difference, ...]
    differing_count: int
    other: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        return not self.differing_count and not self.other


def compare_numbers(stored: Coefficients, now: Coefficients, tolerance: float = 1e-9) -> Compared:
    """Hold every number of two sets of coefficients beside each other.

    tolerance: the relative difference up to which numbers are called the same.
    """
    other = _labels(stored, now)
    largest, numbers, count = 0.0, 0, 0
    told: list[Difference] = []
    for what, labels, one, two, scale in _arrays(stored, now):
        if one.shape != two.shape:
            other.append(f"{what}: {one.shape} numbers, now {two.shape}")
            continue
        relative = _relative(one, two, scale)
        numbers += relative.size
        largest = max(largest, float(relative.max(initial=0.0)))
        beyond = np.argwhere(~(relative <= tolerance))
        count += len(beyond)
        for place in map(tuple, beyond[: MOST_TOLD - len(told)].tolist()):
            where = ", ".join([what, *(names[i] for names, i in zip(labels, place, strict=True))])
            told.append(
                Difference(where, complex(one[place]), complex(two[place]), float(relative[place]))
            )
    for where, a, b in _told(stored, now):
        if isinstance(a, float) and isinstance(b, float):
            numbers += 1
            # Probabilities and angles: near 0 they are held against 1.
            off = abs(a - b) / max(abs(a), abs(b), 1.0)
            off = 0.0 if a == b or (math.isnan(a) and math.isnan(b)) else off
            largest = max(largest, off)
            if not off <= tolerance:
                count += 1
                if len(told) < MOST_TOLD:
                    told.append(Difference(where, complex(a), complex(b), off))
        elif a != b and len(other) < MOST_TOLD:
            other.append(f"{where}: {_short(a)}, now {_short(b)}")
    return Compared(largest, numbers, tuple(told), count, tuple(other))


def _labels(stored: Coefficients, now: Coefficients) -> list[str]:
    """Return in words which labels and pairs are not the same."""
    found = [
        f"{name}: {_short(getattr(stored, name))}, now {_short(getattr(now, name))}"
        for name in ("design", "channels", "regimes", "adjusters")
        if getattr(stored, name) != getattr(now, name)
    ]
    for what, one, two in (
        ("rotors", set(stored.rotors), set(now.rotors)),
        ("pairs that taught", _named(stored.taught), _named(now.taught)),
        ("pairs held back", _named(stored.withheld), _named(now.withheld)),
    ):
        for words, odd in (("only stored", one - two), ("only now", two - one)):
            if odd:
                named = sorted(odd)
                more = f" and {len(odd) - 3} more" if len(odd) > 3 else ""
                found.append(f"{what}, {words}: {', '.join(named[:3])}{more}")
    return found


def _named(pairs: frozenset[tuple[str, str]]) -> set[str]:
    return {f"{job} after run {run}" for job, run in pairs}


Labels = tuple[Sequence[str], ...]


def _arrays(
    stored: Coefficients, now: Coefficients
) -> Iterator[tuple[str, Labels, Array, Array, Real | None]]:
    """Yield pairs of arrays: what they are, names along each axis, and what to hold them against.

    The last is None where a number is held against its own size.
    """
    channels = [f"{sensor} in {regime}" for sensor, regime in stored.channels]
    regimes, adjusters = list(stored.regimes), list(stored.adjusters)
    sensors = list(dict.fromkeys(sensor for sensor, _ in stored.channels))
    of_both = [f"{regime} {adjuster}" for regime in regimes for adjuster in adjusters]
    sets: list[tuple[str, Posterior, Posterior]] = [
        ("the type", stored.type_, now.type_),
        ("a rotor with no runs", stored.unseen, now.unseen),
    ]
    sets += [(name, p, now.rotors[name]) for name, p in stored.rotors.items() if name in now.rotors]
    for who, one, two in sets:
        for name, labels in (
            ("mean", (channels, adjusters)),
            ("pairs", (channels, adjusters)),
            ("track_mean", (regimes, adjusters)),
            ("track_pairs", (regimes, adjusters)),
        ):
            a, b = np.asarray(getattr(one, name)), np.asarray(getattr(two, name))
            yield f"{who}, {name.replace('_', ' ')}", labels, a, b, None
        for name, first in (("joint", sensors), ("track_joint", ["track"])):
            a, b = np.asarray(getattr(one, name)), np.asarray(getattr(two, name))
            called = "track covariance" if "track" in name else "covariance"
            yield f"{who}, {called}", (first, of_both, of_both), a, b, _scale(a)
    yield from _of_noise(stored.noise, now.noise, channels, regimes, adjusters)


def _of_noise(
    stored: Noise, now: Noise, channels: list[str], regimes: list[str], adjusters: list[str]
) -> Iterator[tuple[str, Labels, Array, Array, Real | None]]:
    along: Mapping[str, Labels] = {
        "reading_var": (channels,),
        "run_var": (channels,),
        "track_reading_var": (regimes,),
        "track_run_var": (regimes,),
        "correlation": (channels, channels),
        "move_var": (channels, adjusters),
        "track_move_var": (regimes, adjusters),
        "speaking": (channels,),
        "track_speaking": (regimes,),
    }
    for name, labels in along.items():
        one, two = getattr(stored, name), getattr(now, name)
        if one is None and two is None:
            continue
        a, b = (np.zeros(0) if x is None else np.asarray(x) for x in (one, two))
        against = np.ones(a.shape) if name == "correlation" else None
        yield f"noise, {name.replace('_', ' ')}", labels, a, b, against


def _scale(joint: Array) -> Real:
    """Return what each covariance is held against, (sensor, line, line)."""
    sds = np.sqrt(np.maximum(np.einsum("saa->sa", joint).real, 0.0))
    return np.asarray(sds[:, :, None] * sds[:, None, :])


def _relative(one: Array, two: Array, scale: Real | None) -> Real:
    """Return relative differences; 0 where both are not known, infinite where one is not."""
    missing, other = np.isnan(one), np.isnan(two)
    off = np.abs(np.where(missing | other, 0.0, one - two))
    size = np.maximum(np.abs(one), np.abs(two)) if scale is None else scale
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.where(off == 0.0, 0.0, off / size)
    return np.asarray(np.where(missing != other, np.inf, relative))


def _told(stored: Coefficients, now: Coefficients) -> Iterator[tuple[str, Any, Any]]:
    """Yield what is told beside the numbers: suspects, moved references, health, notes, origin."""
    for what, one, two in (
        ("suspect entries", stored.suspects, now.suspects),
        ("moved references", stored.references, now.references),
        ("health", stored.health, now.health),
        ("notes", stored.notes, now.notes),
    ):
        yield from _leaves(what, list(one), list(two))
    origins = [
        {key: value for key, value in c.origin.items() if key not in UNLIKE} for c in (stored, now)
    ]
    yield from _leaves("origin", *origins)


def _leaves(where: str, one: Any, two: Any) -> Iterator[tuple[str, Any, Any]]:
    """Yield the values of two documents that stand in the same place."""
    if isinstance(one, Mapping) and isinstance(two, Mapping):
        for key in dict.fromkeys((*one, *two)):
            yield from _leaves(f"{where}, {key}", one.get(key), two.get(key))
    elif isinstance(one, (list, tuple)) and isinstance(two, (list, tuple)) and len(one) == len(two):
        for i, (a, b) in enumerate(zip(one, two, strict=True), start=1):
            yield from _leaves(f"{where} {i}", a, b)
    elif _is_number(one) and _is_number(two):
        yield where, float(one), float(two)
    else:
        yield where, one, two


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.number)) and not isinstance(value, bool)


def _short(value: Any) -> str:
    text = str(value)
    return text if len(text) <= 80 else f"{text[:80]}..."
