"""The reader of the rotor file (TOML), which reports every problem of the file at once.

What the values mean stands in `values`. Nothing here repairs: a file is right or refused.
"""

from __future__ import annotations

import itertools
import math
import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import Any, get_args

from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem, one_of, shown
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

__all__ = ["read_rotor"]

MOST_STEPS = 1e6  # in a fitted range: more is a slip
_PARTS = ("rotor", "sensors", "regimes", "adjusters", "shared_ranges", "limits")
_NEEDED = object()


def read_rotor(path: str | PathLike[str]) -> Rotor:
    """Read a rotor file.

    Raises BadInput with every problem found: line, section and key, what was found and expected.
    """
    file = Path(path)
    text = _text(file)
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        what = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "too deep or too long"
        line = re.search(r"at line (\d+)", what)
        row = int(line[1]) if line else None
        raise BadInput(
            [_fault(file, row, None, f"a mistake in its TOML: {what}", "valid TOML")]
        ) from None
    reader = _Reader(file, text)
    rotor = reader.rotor(content)
    if reader.problems or rotor is None:
        raise BadInput(sorted(reader.problems, key=lambda p: p.row or 0))
    return rotor


def _text(file: Path) -> str:
    try:
        return file.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise BadInput(
            [_fault(file, line, None, "a byte that is not UTF-8", "UTF-8 text")]
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(
            [_fault(file, None, None, f"no readable file ({reason})", "a rotor file")]
        ) from None


def _fault(file: Path, row: int | None, column: str | None, found: str, expected: str) -> Problem:
    return Problem("fault", str(file), row, column, found, expected)


class _Section:
    """One table of the file, with what has been asked of it: what is left over is unknown."""

    def __init__(self, reader: _Reader, part: str, number: int | None, values: Mapping[str, Any]):
        self.reader, self.part, self.number, self.values = reader, part, number, values
        self.asked: list[str] = []

    def wrong(self, key: str | None, found: object, expected: str) -> None:
        """Note one problem of this section."""
        place = f"[[{self.part}]] {self.number}" if self.number else f"[{self.part}]"
        if isinstance(name := self.values.get("name"), str) and self.number:
            place += f" ({shown(name)[1:-1]})"
        self.reader.note(
            self.part,
            self.number,
            key,
            f"{place}, key {shown(key)[1:-1]}" if key else place,
            found if isinstance(found, _Words) else _toml(found),
            expected,
        )

    def get(self, key: str, default: Any = None) -> Any:
        """Return the value of a key as TOML gave it."""
        self.asked.append(key)
        if key not in self.values and default is _NEEDED:
            self.wrong(key, _Words("no such key"), "this key (it cannot be left out)")
            return None
        return self.values.get(key, default)

    def close(self) -> None:
        """Complain of the keys that nobody asked for."""
        for key in self.values:
            if key not in self.asked:
                self.wrong(
                    key,
                    _Words(f"key {shown(key)}"),
                    one_of("a key of this section", key, self.asked),
                )

    def text(self, key: str, default: Any = None) -> str | None:
        """Return a name or other text; a whole number counts as text."""
        value = self.get(key, default)
        return None if value is None else self.as_text(key, value)

    def as_text(self, key: str, value: object) -> str | None:
        """Return one value as the text of a name, or note what is wrong with it."""
        name = _name(value)
        if name is None:
            self.wrong(key, value, "text in quotes")
            return None
        if not name or not name.isprintable():
            self.wrong(key, _Words(shown(value)), "text of one line that is not empty")
            return None
        return name

    def number_(
        self,
        key: str,
        default: Any = None,
        above: float | None = None,
        least: float | None = None,
    ) -> float | None:
        """Return a finite number, larger than `above`, at least `least`."""
        value = self.get(key, default)
        if value is None:
            return None
        number = _finite(value)
        bound = "" if above is None else f" above {above:g}"
        bound += "" if least is None else f" of at least {least:g}"
        if number is None or (above is not None and number <= above):
            self.wrong(key, value, f"a number{bound}")
            return None
        if least is not None and number < least:
            self.wrong(key, value, f"a number{bound}")
            return None
        return number

    def flag(self, key: str) -> bool:
        """Return true or false; false when left out."""
        value = self.get(key, False)
        if not isinstance(value, bool):
            self.wrong(key, value, "true or false")
            return False
        return value

    def choice(self, key: str, allowed: Sequence[str], default: Any = None) -> Any:
        """Return one of the allowed words."""
        value = self.get(key, default)
        if value is None or (isinstance(value, str) and value in allowed):
            return value
        self.wrong(key, value, one_of("one of these words", _toml(value), allowed))
        return None

    def known(self, key: str, what: str, known: Sequence[str], default: Any = None) -> str | None:
        """Return a name that must be known."""
        name = self.text(key, default)
        if name is None or name in known:
            return name
        self.wrong(key, name, one_of(what, name, known))
        return None

    def names(
        self, key: str, what: str, known: Sequence[str] | None = None, default: Any = None
    ) -> tuple[str, ...] | None:
        """Return a list of different names, each known when a list of known ones is given."""
        value = self.get(key, default)
        if value is None:
            return None
        if not isinstance(value, list) or not value:
            self.wrong(key, value, f'a list of {what}s, as in ["A", "B"]')
            return None
        names = [name for v in value if (name := self.as_text(key, v)) is not None]
        for name in dict.fromkeys(n for n in names if names.count(n) > 1):
            self.wrong(key, _Words(f"{shown(name)} twice"), f"each {what} once")
        for name in dict.fromkeys(names):
            if known is not None and name not in known:
                self.wrong(key, name, one_of(f"a {what} of this file", name, known))
        clean = len(names) == len(value) == len(set(names))
        return tuple(names) if clean and (known is None or set(names) <= set(known)) else None

    def interval(self, key: str, default: Any = None) -> tuple[float, float] | None:
        """Return a range [low, high] in order."""
        value = self.get(key, default)
        if value is None:
            return None
        ends = [_finite(v) for v in value] if isinstance(value, list) else []
        if len(ends) != 2 or ends[0] is None or ends[1] is None or ends[0] > ends[1]:
            self.wrong(key, value, "a range [lowest, highest] of two numbers in this order")
            return None
        return ends[0], ends[1]


class _Words(str):
    """Words for what was found, as against a value of the file that must be quoted."""

    __slots__ = ()


class _Reader:
    """Reads a parsed rotor file into values, collecting problems on the way."""

    def __init__(self, file: Path, text: str):
        self.file, self.lines, self.problems = file, text.split("\n"), list[Problem]()

    def note(
        self, part: str, number: int | None, key: str | None, place: str, found: str, expected: str
    ) -> None:
        """Add one problem at the line of that key, or of that section."""
        row = self._line(part, number, key)
        self.problems.append(_fault(self.file, row, place, found, expected))

    def _line(self, part: str, number: int | None, key: str | None) -> int | None:
        # The TOML parser keeps no line numbers; headers are where people write them.
        header = re.compile(rf"\s*\[+\s*\"?{re.escape(part)}\"?\s*\]")
        starts = [i for i, line in enumerate(self.lines) if header.match(line)]
        if len(starts) < (number or 1):
            return None
        start = starts[(number or 1) - 1]
        if key is not None:
            wanted = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=")
            for i in range(start + 1, len(self.lines)):
                if re.match(r"\s*\[\[?[A-Za-z_\"]", self.lines[i]):
                    break
                if wanted.match(self.lines[i]):
                    return i + 1
        return start + 1

    def rotor(self, content: Mapping[str, Any]) -> Rotor | None:
        """Return the rotor, or None when a part of it is missing; problems are noted."""
        for key in content:
            if key not in _PARTS:
                found, expected = f"key {shown(key)}", one_of("a part of a rotor file", key, _PARTS)
                self.note(key, None, None, "top of the file", found, expected)
        head = content.get("rotor")
        if not isinstance(head, Mapping):
            self.note("rotor", None, None, "[rotor]", "no such section", "a section [rotor]")
            head = None
        main = _Section(self, "rotor", None, head or {"name": "", "blades": [], "rpm": 0})
        before = len(self.problems)
        name = main.text("name", _NEEDED)
        blades = main.names("blades", "blade", default=_NEEDED)
        rpm = main.number_("rpm", _NEEDED, above=0)
        track_unit = main.text("track_unit")
        azimuth = self._azimuth(main, blades)
        if head is None:
            del self.problems[before:]
        else:
            main.close()

        sensors = self._sensors(content)
        regimes = [r for s in self._sections(content, "regimes", True) if (r := _regime(s))]
        self._once("regimes", [r.name for r in regimes])
        adjusters = self._adjusters(content, blades)
        shared = self._shared_ranges(content, adjusters)
        limits = self._limits(content, track_unit)
        if self.problems or name is None or blades is None or rpm is None:
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
            str(self.file),
        )

    def _sections(self, content: Mapping[str, Any], part: str, needed: bool) -> list[_Section]:
        value = content.get(part, [])
        if not isinstance(value, list) or not all(isinstance(v, Mapping) for v in value):
            self.note(part, None, None, part, _toml(value), f"sections headed [[{part}]]")
            return []
        if needed and not value:
            expected = f"at least one section [[{part}]]"
            self.note(part, None, None, f"[[{part}]]", "no such section", expected)
        return [_Section(self, part, i + 1, v) for i, v in enumerate(value)]

    def _once(self, part: str, names: Sequence[str]) -> None:
        for name in dict.fromkeys(n for n in names if list(names).count(n) > 1):
            place = f"[[{part}]], key name"
            self.note(part, None, None, place, f"{shown(name)} twice", "each name once")

    @staticmethod
    def _azimuth(main: _Section, blades: tuple[str, ...] | None) -> tuple[float, ...] | None:
        value = main.get("azimuth_deg")
        if value is None:
            return None
        angles = [_finite(v) for v in value] if isinstance(value, list) else []
        known = [a for a in angles if a is not None]
        rising = all(b > a for a, b in itertools.pairwise(known))
        if (
            not known
            or len(known) != len(angles)
            or not rising
            or known[0] != 0
            or known[-1] >= 360
        ):
            main.wrong("azimuth_deg", value, "numbers that increase from 0 and stay below 360")
            return None
        if blades is not None and len(known) != len(blades):
            count = _Words(f"{len(known)} angles")
            main.wrong("azimuth_deg", count, f"one angle for each of the {len(blades)} blades")
            return None
        return tuple(known)

    def _sensors(self, content: Mapping[str, Any]) -> list[Sensor]:
        sections = self._sections(content, "sensors", True)
        sensors = [s for section in sections if (s := _sensor(section))]
        self._once("sensors", [s.name for s in sensors])
        by_name = {s.name: s for s in sensors}
        for section in sections:
            sensor = by_name.get(_name(section.values.get("name")) or "")
            if sensor is None or sensor.combination is None:
                continue
            for part in sensor.combination:
                _check_part(section, sensor, part, by_name, _declared(content, "sensors"))
        return sensors

    def _adjusters(
        self, content: Mapping[str, Any], blades: Sequence[str] | None
    ) -> list[Adjuster]:
        sections = self._sections(content, "adjusters", True)
        adjusters = [a for s in sections if (a := _adjuster(s, blades))]
        self._once("adjusters", [a.name for a in adjusters])
        return adjusters

    def _shared_ranges(
        self, content: Mapping[str, Any], adjusters: Sequence[Adjuster]
    ) -> list[SharedRange]:
        by_name = {a.name: a for a in adjusters}
        found = []
        for section in self._sections(content, "shared_ranges", False):
            declared = _declared(content, "adjusters")
            names = section.names("adjusters", "adjuster", declared, _NEEDED)
            interval = section.interval("fitted_range", _NEEDED)
            section.close()
            if names is None or interval is None or not set(names) <= set(by_name):
                continue
            if len(names) < 2:
                section.wrong("adjusters", list(names), "two or more adjusters")
            elif len({by_name[n].unit for n in names}) > 1:
                units = _Words(", ".join(f"{n} in {by_name[n].unit}" for n in names))
                section.wrong("adjusters", units, "adjusters of the same unit")
            least = sum(by_name[n].fitted_range[0] for n in names)
            most = sum(by_name[n].fitted_range[1] for n in names)
            if interval[0] > most or interval[1] < least:
                expected = f"a range that meets what they carry in all, {least:g} to {most:g}"
                section.wrong("fitted_range", list(interval), expected)
            found.append(SharedRange(names, interval))
        return found

    def _limits(
        self,
        content: Mapping[str, Any],
        track_unit: str | None,
    ) -> list[Limit]:
        found = []
        for section in self._sections(content, "limits", False):
            sensor = section.known("sensor", "a sensor of this file", _declared(content, "sensors"))
            track = section.flag("track")
            regime = section.known("regime", "a regime of this file", _declared(content, "regimes"))
            limit = section.number_("limit", _NEEDED, above=0)
            only_inside, after = section.flag("only_inside"), section.text("after")
            section.close()
            if ("sensor" in section.values) == track:
                both = _Words("both sensor and track" if track else "neither sensor nor track")
                section.wrong(None, both, "either sensor = a name or track = true")
            elif track and track_unit is None:
                section.wrong("track", True, "a limit on track only where [rotor] has track_unit")
            elif limit is not None:
                found.append(Limit(sensor, limit, regime, only_inside, after))
        return found


def _declared(content: Mapping[str, Any], part: str) -> list[str]:
    """Return the names of a part's sections, those that are wrong elsewhere included."""
    sections = content.get(part, [])
    named = (
        [s.get("name") for s in sections if isinstance(s, Mapping)]
        if isinstance(sections, list)
        else []
    )
    return [name for n in named if (name := _name(n)) is not None]


def _name(value: object) -> str | None:
    """Return a name as text, a whole number being one too (blade 1); None for anything else."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 10**15:
        return str(value)
    return unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else None


def _sensor(section: _Section) -> Sensor | None:
    name = section.text("name", _NEEDED)
    unit = section.choice("unit", get_args(Unit), _NEEDED)
    phase = section.choice("phase", ("lag", "lead"), "lag")
    order = section.get("order", 1)
    if isinstance(order, bool) or not isinstance(order, int) or not 1 <= order <= 1000:
        section.wrong("order", order, "a whole number of at least 1")
        order = 1
    reading_sd = section.number_("reading_sd", above=0)
    run_to_run_sd = section.number_("run_to_run_sd", above=0)
    combination = section.get("combination")
    parts: dict[str, float] | None = None
    if combination is not None:
        expected = 'sensors and their factors, as in { "left" = 0.5, "right" = -0.5 }'
        if not isinstance(combination, Mapping) or not combination:
            section.wrong("combination", combination, expected)
        else:
            factors = {_name(k) or "": _finite(v) for k, v in combination.items()}
            parts = {k: v for k, v in factors.items() if v}
            if len(parts) != len(combination):
                section.wrong("combination", combination, f"{expected}, no factor 0")
    section.close()
    if name is None or unit is None or phase is None:
        return None
    return Sensor(name, unit, phase, order, reading_sd, run_to_run_sd, parts)


def _check_part(
    section: _Section,
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
        found = _Words(f"{shown(part)} in {other.unit} of order {other.order}")
        section.wrong("combination", found, f"sensors in {sensor.unit} of order {sensor.order}")


def _regime(section: _Section) -> Regime | None:
    name = section.text("name", _NEEDED)
    airspeed, rpm = section.number_("airspeed_kt"), section.number_("rpm", above=0)
    on_ground = section.flag("on_ground")
    section.close()
    return None if name is None else Regime(name, airspeed, rpm, on_ground)


def _adjuster(section: _Section, blades: Sequence[str] | None) -> Adjuster | None:
    name, unit = section.text("name", _NEEDED), section.text("unit", _NEEDED)
    step = section.number_("step", _NEEDED, above=0)
    fitted_range = section.interval("fitted_range", _NEEDED)
    positive = section.text("positive")
    amount_sd = section.number_("amount_sd", 0.0, least=0)
    largest_move = section.number_("largest_move", above=0)
    only = section.names("blades", "blade", blades)
    sum_range = section.interval("sum_range")
    minutes = section.number_("minutes", least=0)
    access_minutes = section.number_("access_minutes", 0.0, least=0)
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


def _finite(value: object) -> float | None:
    """Return a TOML number as a float of ordinary size, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if abs(number) <= LARGEST_NUMBER else None  # no NaN either


def _toml(value: object) -> str:
    """Return a value of the file as a message can show it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return shown(value) if value else "empty text"
    try:
        return shown(None if value is None else str(value)).strip("'")
    except ValueError:  # an integer of more digits than Python prints
        return "a number too long to show"
