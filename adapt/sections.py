"""The sections of a TOML file, asked key by key, with what is wrong noted: rotors, holes, set-ups.

Which sections and keys there are, and what they mean, is the business of each file's reader.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem, one_of, shown

__all__ = [
    "NEEDED", "Book", "Section", "Words", "as_toml", "book_of", "fault", "finite", "name_of",
    "open_book", "text_in",
]  # fmt: skip

NEEDED: Any = object()  # the default of a key that cannot be left out


def fault(file: Path, row: int | None, column: str | None, found: str, expected: str) -> Problem:
    """Return one fault of a file."""
    return Problem("fault", str(file), row, column, found, expected)


def open_book(file: Path, what: str, parts: Sequence[str]) -> Book:
    """Return a parsed file; parts of another name than these are noted in it.

    what: what the file is, as in "a rotor file". Raises BadInput when it cannot be read or parsed.
    """
    return book_of(_text(file, what), file, what, parts)


def book_of(text: str, file: Path, what: str, parts: Sequence[str]) -> Book:
    """Return the parsed text of a file that is kept elsewhere; `open_book` says the rest."""
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        why = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "too deep or too long"
        line = re.search(r"at line (\d+)", why)
        row = int(line[1]) if line else None
        found = f"a mistake in its TOML: {why}"
        raise BadInput([fault(file, row, None, found, "valid TOML")]) from None
    book = Book(file, text, content)
    for key in content:
        if key not in parts:
            expected = one_of(f"a part of {what}", key, parts)
            book.note(key, None, None, "top of the file", f"key {shown(key)}", expected)
    return book


def _text(file: Path, what: str) -> str:
    try:
        data = file.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        found = f"no readable file ({reason})"
        raise BadInput([fault(file, None, None, found, f"{what} (TOML)")]) from None
    return text_in(data, file)


def text_in(data: bytes, file: Path) -> str:
    """Return the text of a file's bytes. Raises BadInput with the line that is not UTF-8."""
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        found = "a byte that is not UTF-8"
        raise BadInput([fault(file, line, None, found, "UTF-8 text")]) from None


class Book:
    """A parsed file: its sections, and every problem noted so far."""

    def __init__(self, file: Path, text: str, content: Mapping[str, Any]):
        self.file, self.content = file, content
        self.lines, self.problems = text.split("\n"), list[Problem]()

    def note(
        self, part: str, number: int | None, key: str | None, place: str, found: str, expected: str
    ) -> None:
        """Add one problem at the line of that key, or of that section."""
        row = self._line(part, number, key)
        self.problems.append(fault(self.file, row, place, found, expected))

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

    def sections(self, part: str, needed: bool = True) -> list[Section]:
        """Return the sections of one kind, and note when there must be one and is none."""
        value = self.content.get(part, [])
        if not isinstance(value, list) or not all(isinstance(v, Mapping) for v in value):
            self.note(part, None, None, part, as_toml(value), f"sections headed [[{part}]]")
            return []
        if needed and not value:
            expected = f"at least one section [[{part}]]"
            self.note(part, None, None, f"[[{part}]]", "no such section", expected)
        return [Section(self, part, i + 1, v) for i, v in enumerate(value)]

    def once(self, part: str, names: Sequence[str]) -> None:
        """Note every name that stands twice."""
        for name in dict.fromkeys(n for n in names if list(names).count(n) > 1):
            place = f"[[{part}]], key name"
            self.note(part, None, None, place, f"{shown(name)} twice", "each name once")

    def declared(self, part: str) -> list[str]:
        """Return the names of a part's sections, those that are wrong elsewhere included."""
        sections = self.content.get(part, [])
        named = (
            [s.get("name") for s in sections if isinstance(s, Mapping)]
            if isinstance(sections, list)
            else []
        )
        return [name for n in named if (name := name_of(n)) is not None]


class Section:
    """One table of the file, with what has been asked of it: what is left over is unknown."""

    def __init__(self, book: Book, part: str, place: int | None, values: Mapping[str, Any]):
        self.book, self.part, self.place, self.values = book, part, place, values
        self.asked: list[str] = []

    def wrong(self, key: str | None, found: object, expected: str) -> None:
        """Note one problem of this section."""
        where = f"[[{self.part}]] {self.place}" if self.place else f"[{self.part}]"
        if isinstance(name := self.values.get("name"), str) and self.place:
            where += f" ({shown(name)[1:-1]})"
        self.book.note(
            self.part,
            self.place,
            key,
            f"{where}, key {shown(key)[1:-1]}" if key else where,
            found if isinstance(found, Words) else as_toml(found),
            expected,
        )

    def get(self, key: str, default: Any = None) -> Any:
        """Return the value of a key as TOML gave it."""
        self.asked.append(key)
        if key not in self.values and default is NEEDED:
            self.wrong(key, Words("no such key"), "this key (it cannot be left out)")
            return None
        return self.values.get(key, default)

    def close(self) -> None:
        """Complain of the keys that nobody asked for."""
        for key in self.values:
            if key not in self.asked:
                self.wrong(
                    key,
                    Words(f"key {shown(key)}"),
                    one_of("a key of this section", key, self.asked),
                )

    def text(self, key: str, default: Any = None) -> str | None:
        """Return a name or other text; a whole number counts as text."""
        value = self.get(key, default)
        return None if value is None else self.as_text(key, value)

    def as_text(self, key: str, value: object) -> str | None:
        """Return one value as the text of a name, or note what is wrong with it."""
        name = name_of(value)
        if name is None:
            self.wrong(key, value, "text in quotes")
            return None
        if not name or not name.isprintable():
            self.wrong(key, Words(shown(value)), "text of one line that is not empty")
            return None
        return name

    def number(
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
        number = finite(value)
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
        self.wrong(key, value, one_of("one of these words", as_toml(value), allowed))
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
            self.wrong(key, Words(f"{shown(name)} twice"), f"each {what} once")
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
        ends = [finite(v) for v in value] if isinstance(value, list) else []
        if len(ends) != 2 or ends[0] is None or ends[1] is None or ends[0] > ends[1]:
            self.wrong(key, value, "a range [lowest, highest] of two numbers in this order")
            return None
        return ends[0], ends[1]


class Words(str):
    """Words for what was found, as against a value of the file that must be quoted."""

    __slots__ = ()


def name_of(value: object) -> str | None:
    """Return a name as text, a whole number being one too (blade 1); None for anything else."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) < 10**15:
        return str(value)
    return unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else None


def finite(value: object) -> float | None:
    """Return a TOML number as a float of ordinary size, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if abs(number) <= LARGEST_NUMBER else None  # no NaN either


def as_toml(value: object) -> str:
    """Return a value of the file as a message can show it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return shown(value) if value else "empty text"
    try:
        return shown(None if value is None else str(value)).strip("'")
    except ValueError:  # an integer of more digits than Python prints
        return "a number too long to show"
