"""The sections [[sources]] of a map, and conditions on their rows, read and checked."""

from __future__ import annotations

import codecs

from adapt.logbook.maps.entries import Entry, pattern_of, texts_of, translation_of
from adapt.logbook.maps.filling import header_name
from adapt.logbook.maps.values import Condition, Source
from adapt.problems import shown
from adapt.sections import NEEDED, Section, Words

__all__ = ["conditions_of", "source_of"]

MOST_SKIPPED = 10_000
_KINDS = ("is", "is_not", "matches", "empty", "number")


def source_of(section: Section) -> Source | None:
    """Return one source of a map; what is wrong is noted."""
    before = len(section.book.problems)
    name = section.text("name", NEEDED)
    not_read = section.get("not_read")
    excluded = section.get("excluded")
    marks = texts_of(section, "not_read", not_read) if not_read is not None else frozenset()
    reasons = translation_of(section, "excluded", excluded) if excluded is not None else {}
    for text in sorted(marks & set(reasons or ())):
        section.wrong("excluded", Words(f"{shown(text)} in not_read too"), "it in one of them")
    headers, header_row = _headers(section)
    source = Source(
        name or "",
        _pattern(section, "files"),
        section.text("sheet"),
        _skipped(section),
        headers,
        header_row,
        _separator(section),
        section.choice("decimal_sign", (".", ",")),
        _encoding(section),
        section.flag("may_be_missing"),
        marks,
        reasons or {},
        conditions_of(section, "leave_out"),
        conditions_of(section, "only"),
    )
    section.close()
    return None if len(section.book.problems) > before else source


def _pattern(section: Section, key: str) -> str | None:
    pattern = section.text(key)
    if pattern is None:
        return None
    parts = pattern.split("/")
    if "\\" in pattern or any(part in ("", ".", "..") or "**" in part for part in parts):
        expected = 'names in the folder, as in "*.csv", "2026-*.xlsx" or "exports/*.csv"'
        section.wrong(key, pattern, expected)
        return None
    return pattern


def _skipped(section: Section) -> int:
    value = section.get("skip_lines", 0)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= MOST_SKIPPED:
        expected = f"how many lines stand before the header, 0 to {MOST_SKIPPED}"
        section.wrong("skip_lines", value, expected)
        return 0
    return value


def _headers(section: Section) -> tuple[tuple[str, ...] | None, bool]:
    """Return the names that a map gives to the columns, and whether there is a header row."""
    headers = section.names("headers", "column")
    names = [header_name(header) for header in headers or ()]
    for name in dict.fromkeys(n for n in names if not n or names.count(n) > 1):
        found = f"{shown(name)} twice" if name else "a header without a name"
        section.wrong("headers", Words(found), "each column's own name, whatever its unit and case")
    header_row = section.get("header_row", True)
    if not isinstance(header_row, bool):
        section.wrong("header_row", header_row, "true or false")
    elif not header_row and "headers" not in section.values:
        expected = "headers beside it, with a name for each column"
        section.wrong("header_row", header_row, expected)
    return headers, header_row is not False


def _separator(section: Section) -> str | None:
    value = section.get("separator")
    if value is None or (isinstance(value, str) and len(value) == 1 and value not in '"\r\n\x00'):
        return value
    section.wrong("separator", value, r'one character, as in ";" or "\t" (a tab)')
    return None


def _encoding(section: Section) -> str | None:
    name = section.text("encoding")
    try:
        if name is not None:
            codecs.lookup(name)
    except (LookupError, ValueError):
        section.wrong("encoding", name, 'an encoding, as in "utf-8", "cp1252" or "iso-8859-1"')
        return None
    return name


def conditions_of(section: Section, key: str) -> tuple[Condition, ...]:
    """Return conditions on the rows of a source; what is wrong is noted."""
    value = section.get(key, [])
    example = 'a list of conditions, as in [{ column = "Status", is = "TEST" }]'
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        section.wrong(key, value, example)
        return ()
    found = [_condition(Entry(section, key, v, f" {i + 1}")) for i, v in enumerate(value)]
    return tuple(c for c in found if c is not None)


def _condition(entry: Entry) -> Condition | None:
    before = len(entry.book.problems)
    column = entry.text("column", NEEDED)
    if column is not None and not header_name(column):
        entry.wrong("column", column, "the header of a column")
    said = [kind for kind in _KINDS if kind in entry.values]
    entry.asked += _KINDS
    texts, pattern, wanted = frozenset[str](), None, True
    if len(said) != 1:
        expected = "one of " + ", ".join(_KINDS)
        entry.wrong(None, Words(" and ".join(said) or "no condition"), expected)
    elif said[0] in ("is", "is_not"):
        texts = texts_of(entry, said[0], entry.values[said[0]])
    elif said[0] == "matches":
        pattern = pattern_of(entry, "matches")
    else:
        wanted = entry.values[said[0]]
        if not isinstance(wanted, bool):
            entry.wrong(said[0], wanted, "true or false")
    entry.close()
    if len(entry.book.problems) > before or column is None:
        return None
    return Condition(column, said[0], texts, pattern, wanted)  # type: ignore[arg-type]
