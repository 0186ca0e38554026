"""The reader of the rotor file (TOML), which reports every problem of the file at once.

What the values mean stands in `values`. Nothing here repairs: a file is right or refused.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import get_args

from adapt.problems import BadInput, one_of, shown
from adapt.rotor.values import (
    STEP_TOLERANCE,
    Adjuster,
    Kind,
    Limit,
    Regime,
    Rotor,
    Sensor,
    SharedRange,
    Unit,
)
from adapt.sections import (
    NEEDED,
    Book,
    Section,
    Words,
    book_of,
    finite,
    name_of,
    open_book,
    text_in,
)

__all__ = ["read_rotor", "rotor_in"]

MOST_STEPS = 1e6  # in a fitted range: more is a slip
_WHAT = "a rotor file"
_PARTS = ("rotor", "sensors", "regimes", "adjusters", "shared_ranges", "limits")


def read_rotor(path: str | PathLike[str]) -> Rotor:
    """Read a rotor file.

    Raises BadInput with every problem found: line, section and key, what was found and expected.
    """
    return _sound(open_book(Path(path), _WHAT, _PARTS))


def rotor_in(content: bytes, file: str) -> Rotor:
    """Read a rotor file from its bytes; file: how messages name it. Raises as `read_rotor` does."""
    path = Path(file)
    return _sound(book_of(text_in(content, path), path, _WHAT, _PARTS))


def _sound(book: Book) -> Rotor:
    rotor = _rotor(book)
    if book.problems or rotor is None:
        raise BadInput(sorted(book.problems, key=lambda p: p.row or 0))
    return rotor


def _rotor(book: Book) -> Rotor | None:
    """Return the rotor, or None when a part of it is missing; problems are noted."""
    head = book.content.get("rotor")
    if not isinstance(head, Mapping):
        book.note("rotor", None, None, "[rotor]", "no such section", "a section [rotor]")
        head = None
    main = Section(book, "rotor", None, head or {})
    before = len(book.problems)
    name = main.text("name", NEEDED)
    blades = main.names("blades", "blade", default=NEEDED)
    rpm = main.number("rpm", NEEDED, above=0)
    track_unit = main.text("track_unit")
    track_reading_sd = _track_sd(main, "track_reading_sd", track_unit)
    track_run_to_run_sd = _track_sd(main, "track_run_to_run_sd", track_unit)
    azimuth = _azimuth(main, blades)
    if head is None:
        del book.problems[before:]
    else:
        main.close()

    sensors = _sensors(book)
    regimes = [r for s in book.sections("regimes") if (r := _regime(s))]
    book.once("regimes", [r.name for r in regimes])
    adjusters = _adjusters(book, blades)
    shared = _shared_ranges(book, adjusters)
    limits = _limits(book, track_unit)
    if book.problems or name is None or blades is None or rpm is None:
        return None
    return Rotor(
        name,
        blades,
        rpm,
        tuple(sensors),
        tuple(regimes),
        tuple(adjusters),
        tuple(limits),
        track_unit,
        azimuth,
        tuple(shared),
        track_reading_sd,
        track_run_to_run_sd,
        str(book.file),
    )


def _track_sd(main: Section, key: str, track_unit: str | None) -> float | None:
    """Return a standard deviation of one blade's height; it needs a track_unit to be in."""
    value = main.number(key, above=0)
    if value is not None and track_unit is None and "track_unit" not in main.values:
        main.wrong(key, value, "this key only where [rotor] has track_unit")
    return value


def _azimuth(main: Section, blades: tuple[str, ...] | None) -> tuple[float, ...] | None:
    value = main.get("azimuth_deg")
    if value is None:
        return None
    angles = [finite(v) for v in value] if isinstance(value, list) else []
    known = [a for a in angles if a is not None]
    rising = all(b > a for a, b in itertools.pairwise(known))
    if not known or len(known) != len(angles) or not rising or known[0] != 0 or known[-1] >= 360:
        main.wrong("azimuth_deg", value, "numbers that increase from 0 and stay below 360")
        return None
    if blades is not None and len(known) != len(blades):
        count = Words(f"{len(known)} angles")
        main.wrong("azimuth_deg", count, f"one angle for each of the {len(blades)} blades")
        return None
    return tuple(known)


def _sensors(book: Book) -> list[Sensor]:
    sections = book.sections("sensors")
    sensors = [s for section in sections if (s := _sensor(section))]
    book.once("sensors", [s.name for s in sensors])
    by_name = {s.name: s for s in sensors}
    for section in sections:
        sensor = by_name.get(name_of(section.values.get("name")) or "")
        if sensor is None or sensor.combination is None:
            continue
        for part in sensor.combination:
            _check_part(section, sensor, part, by_name, book.declared("sensors"))
    return sensors


def _adjusters(book: Book, blades: Sequence[str] | None) -> list[Adjuster]:
    sections = book.sections("adjusters")
    adjusters = [a for s in sections if (a := _adjuster(s, blades))]
    book.once("adjusters", [a.name for a in adjusters])
    return adjusters


def _shared_ranges(book: Book, adjusters: Sequence[Adjuster]) -> list[SharedRange]:
    by_name = {a.name: a for a in adjusters}
    found = []
    for section in book.sections("shared_ranges", needed=False):
        declared = book.declared("adjusters")
        names = section.names("adjusters", "adjuster", declared, NEEDED)
        interval = section.interval("fitted_range", NEEDED)
        section.close()
        if names is None or interval is None or not set(names) <= set(by_name):
            continue
        if len(names) < 2:
            section.wrong("adjusters", list(names), "two or more adjusters")
        elif len({by_name[n].unit for n in names}) > 1:
            units = Words(", ".join(f"{n} in {by_name[n].unit}" for n in names))
            section.wrong("adjusters", units, "adjusters of the same unit")
        least = sum(by_name[n].fitted_range[0] for n in names)
        most = sum(by_name[n].fitted_range[1] for n in names)
        if interval[0] > most or interval[1] < least:
            expected = f"a range that meets what they carry in all, {least:g} to {most:g}"
            section.wrong("fitted_range", list(interval), expected)
        found.append(SharedRange(names, interval))
    return found


def _limits(
    book: Book,
    track_unit: str | None,
) -> list[Limit]:
    found = []
    for section in book.sections("limits", needed=False):
        sensor = section.known("sensor", "a sensor of this file", book.declared("sensors"))
        track = section.flag("track")
        regime = section.known("regime", "a regime of this file", book.declared("regimes"))
        limit = section.number("limit", NEEDED, above=0)
        only_inside, after = section.flag("only_inside"), section.text("after")
        section.close()
        if ("sensor" in section.values) == track:
            both = Words("both sensor and track" if track else "neither sensor nor track")
            section.wrong(None, both, "either sensor = a name or track = true")
        elif track and track_unit is None:
            section.wrong("track", True, "a limit on track only where [rotor] has track_unit")
        elif limit is not None:
            found.append(Limit(sensor, limit, regime, only_inside, after))
    return found


def _sensor(section: Section) -> Sensor | None:
    name = section.text("name", NEEDED)
    unit = section.choice("unit", get_args(Unit), NEEDED)
    phase = section.choice("phase", ("lag", "lead"), "lag")
    order = section.get("order", 1)
    if isinstance(order, bool) or not isinstance(order, int) or not 1 <= order <= 1000:
        section.wrong("order", order, "a whole number of at least 1")
        order = 1
    reading_sd = section.number("reading_sd", above=0)
    run_to_run_sd = section.number("run_to_run_sd", above=0)
    combination = section.get("combination")
    parts: dict[str, float] | None = None
    if combination is not None:
        expected = 'sensors and their factors, as in { "left" = 0.5, "right" = -0.5 }'
        if not isinstance(combination, Mapping) or not combination:
            section.wrong("combination", combination, expected)
        else:
            factors = {name_of(k) or "": finite(v) for k, v in combination.items()}
            parts = {k: v for k, v in factors.items() if v}
            if len(parts) != len(combination):
                section.wrong("combination", combination, f"{expected}, no factor 0")
    section.close()
    if name is None or unit is None or phase is None:
        return None
    return Sensor(name, unit, phase, order, reading_sd, run_to_run_sd, parts)


def _check_part(
    section: Section,
    sensor: Sensor,
    part: str,
    known: Mapping[str, Sensor],
    declared: Sequence[str],
) -> None:
    other = known.get(part)
    if part not in declared:
        section.wrong("combination", part, one_of("a sensor of this file", part, declared))
    elif other is None:
        return  # its own section has been complained of
    elif other is sensor:
        section.wrong("combination", part, "other sensors than itself")
    elif other.combination is not None:
        section.wrong("combination", part, "sensors that are not combinations themselves")
    elif (other.unit, other.order) != (sensor.unit, sensor.order):
        found = Words(f"{shown(part)} in {other.unit} of order {other.order}")
        section.wrong("combination", found, f"sensors in {sensor.unit} of order {sensor.order}")


def _regime(section: Section) -> Regime | None:
    name = section.text("name", NEEDED)
    airspeed, rpm = section.number("airspeed_kt"), section.number("rpm", above=0)
    on_ground = section.flag("on_ground")
    section.close()
    return None if name is None else Regime(name, airspeed, rpm, on_ground)


def _adjuster(section: Section, blades: Sequence[str] | None) -> Adjuster | None:
    name, unit = section.text("name", NEEDED), section.text("unit", NEEDED)
    step = section.number("step", NEEDED, above=0)
    fitted_range = section.interval("fitted_range", NEEDED)
    positive = section.text("positive")
    amount_sd = section.number("amount_sd", 0.0, least=0)
    largest_move = section.number("largest_move", above=0)
    only = section.names("blades", "blade", blades)
    sum_range = section.interval("sum_range")
    minutes = section.number("minutes", least=0)
    access_minutes = section.number("access_minutes", 0.0, least=0)
    kind = section.choice("kind", get_args(Kind))
    section.close()
    if step is not None and largest_move is not None and largest_move < step * (1 - STEP_TOLERANCE):
        section.wrong("largest_move", largest_move, f"at least one step ({step:g})")
    if step is not None and fitted_range is not None:
        width = fitted_range[1] - fitted_range[0]
        if width < step * (1 - STEP_TOLERANCE):
            expected = f"a range at least one step ({step:g}) wide"
            section.wrong("fitted_range", list(fitted_range), expected)
        if width > MOST_STEPS * step:
            section.wrong(
                "step", step, f"at least {width / MOST_STEPS:g}, a millionth of the range"
            )
        count = len(only or blades or ()) or 1
        if sum_range is not None and not _reachable(sum_range, step, width * count):
            expected = f"a range that some whole number of steps ({step:g}) reaches"
            section.wrong("sum_range", list(sum_range), expected)
    if name is None or unit is None or step is None or fitted_range is None:
        return None
    return Adjuster(
        name,
        unit,
        step,
        fitted_range,
        positive,
        amount_sd or 0.0,
        largest_move,
        only,
        sum_range,
        minutes,
        access_minutes or 0.0,
        kind,
    )


def _reachable(interval: tuple[float, float], step: float, most: float) -> bool:
    """Return whether a whole number of steps of size at most `most` lies in the interval."""
    low, high = max(interval[0], -most), min(interval[1], most)
    return math.floor(high / step + STEP_TOLERANCE) >= math.ceil(low / step - STEP_TOLERANCE)
