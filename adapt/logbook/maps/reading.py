"""The reader of a column map (TOML), which reports every problem of the map at once.

Its sections: [map], [translations.NAME], [[sources]], and one for each table of the log that a
source gives: [[runs]], [[readings]], [[track]], [[moves]], [[fitted]], [[events]].
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from os import PathLike
from pathlib import Path
from typing import Any

from adapt.log_columns import NEEDED_COLUMNS, OPTIONAL_COLUMNS
from adapt.logbook.maps.entries import ORIGINS, Entry, is_number, translation_of, way_of
from adapt.logbook.maps.filling import header_name
from adapt.logbook.maps.sources import conditions_of, source_of
from adapt.logbook.maps.values import TABLES, VALUES, Given, Group, Map, Source, Way
from adapt.problems import BadInput, one_of, shown
from adapt.sections import NEEDED, Book, Section, Words, as_toml, book_of, open_book

__all__ = ["map_from", "read_map"]

_PARTS = ("map", "translations", "sources", *TABLES)
_WHAT = "a column map"
Translations = Mapping[str, Mapping[str, str]]


def read_map(path: str | PathLike[str]) -> Map:
    """Read a column map from a file.

    Raises BadInput with every problem found: line, section and key, what was found and expected.
    """
    return _map(open_book(Path(path), _WHAT, _PARTS))


def map_from(text: str, name: str) -> Map:
    """Read a column map from its text; name: how messages name it. Raises as `read_map` does."""
    plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
    return _map(book_of(plain, Path(name), _WHAT, _PARTS))


def _map(book: Book) -> Map:
    main = book.content.get("map")
    name = note = None
    if isinstance(main, Mapping):
        section = Section(book, "map", None, main)
        name, note = section.text("name", NEEDED), section.text("note")
        section.close()
    else:
        book.note("map", None, None, "[map]", "no such section", "a section [map] with a name")
    translations = _translations(book)
    sources = _sources(book)
    declared = book.declared("sources") or [s.name for s in sources]
    given: list[Given | None] = []
    for table in TABLES:
        for section in book.sections(table, needed=False):
            given.append(_given(section, table, declared, translations))
    if not any(isinstance(book.content.get(table), list) for table in TABLES):
        expected = "at least one section of a table of the log: [[runs]], [[readings]] ..."
        book.note("map", None, None, "the map", "nothing that it gives", expected)
    sound = [g for g in given if g is not None]
    if len(sound) == len(given):
        for source in sources:
            if not any(g.source == source.name for g in sound):
                at = declared.index(source.name) + 1 if source.name in declared else None
                expected = f"a table of the log with source = {as_toml(source.name)}"
                book.note("sources", at, None, f"[[sources]] {at}", "no use of it", expected)
    if book.problems or name is None:
        raise BadInput(sorted(book.problems, key=lambda p: p.row or 0))
    text = "\n".join(book.lines)
    return Map(name, tuple(sources), tuple(sound), note or "", str(book.file), text)


def _translations(book: Book) -> Translations:
    content = book.content.get("translations", {})
    if not isinstance(content, Mapping):
        book.note("translations", None, None, "translations", as_toml(content), _TRANSLATIONS)
        return {}
    found: dict[str, Mapping[str, str]] = {}
    for name, values in content.items():
        section = Section(book, f"translations.{name}", None, {})
        if not isinstance(values, Mapping):
            section.wrong(None, values, _TRANSLATIONS)
        means = dict[str, str]()
        for key, value in values.items() if isinstance(values, Mapping) else ():
            means |= translation_of(section, key, {key: value}) or {}
        found[name] = means
    return found


_TRANSLATIONS = 'sections such as [translations.regimes] with lines such as HOV = "hover"'


def _sources(book: Book) -> list[Source]:
    sections = book.sections("sources", needed=False)
    if not sections:
        return [Source("table")]
    found = [source_of(section) for section in sections]
    book.once("sources", book.declared("sources"))
    if len(sections) > 1:
        for section in sections:
            if "files" not in section.values and "sheet" not in section.values:
                section.wrong(
                    "files", Words("no such key"), "which files or sheets are this source"
                )
    return [s for s in found if s is not None]


def _given(
    section: Section, table: str, sources: list[str], translations: Translations
) -> Given | None:
    """Return one section of a table of the log; what is wrong is noted."""
    before = len(section.book.problems)
    source = section.text("source", NEEDED if len(sources) > 1 else None)
    if source is not None and source not in sources:
        section.wrong("source", source, one_of("a source of this map", source, sources))
    differ = section.choice("rows_differ", ("refuse", "first")) if table == "runs" else None
    known = (*NEEDED_COLUMNS[table], *OPTIONAL_COLUMNS[table])
    entries = {c: _values(section, c) for c in known if c in section.values}
    raw_groups = section.get("groups", [])
    left_out, only = conditions_of(section, "leave_out"), conditions_of(section, "only")
    beside = _beside(section, translations)
    section.asked += known
    section.close()
    ways = dict[str, Way]()
    completed, sound = set[str](), set(entries)
    for column, values in entries.items():
        if raw_groups and not any(key in values for key in ORIGINS):
            completed.add(column)
        way = way_of(Entry(section, column, values), column, translations, not raw_groups)
        if way is None:
            sound.discard(column)
        elif way.origin is not None:
            ways[column] = way
    shared = {c: values for c, values in entries.items() if c in sound}  # told once
    groups = _groups(section, table, raw_groups, shared, known, translations)
    if len(section.book.problems) == before:
        _check_columns(section, table, ways, groups, completed)
    if len(section.book.problems) > before:
        return None
    number = section.place or 1
    return Given(
        table,
        number,
        source or sources[0],
        {**ways, **beside},
        groups,
        left_out,
        only,
        differ == "first",
    )  # fmt: skip


def _beside(section: Section, translations: Translations) -> dict[str, Way]:
    """Return the columns that a log does not know, which are kept beside its own."""
    said = section.get("extra", {})
    ways = dict[str, Way]()
    if not isinstance(said, Mapping):
        section.wrong("extra", said, 'columns, as in { task_card = "Card" }')
        return ways
    for name, value in said.items():
        values = {"column": value} if isinstance(value, str) else value
        if name in _OF_LOGS or header_name(name) != name:
            expected = "a name in small letters that is no column of a log, such as task_card"
            section.wrong("extra", Words(f"the name {shown(name)}"), expected)
        elif not isinstance(values, Mapping):
            section.wrong("extra", value, "the header of a column in quotes, or a table")
        elif way := way_of(Entry(section, "extra", values, f".{name}"), name, translations):
            ways[name] = way
    return ways


_OF_LOGS = {
    c for columns in (NEEDED_COLUMNS, OPTIONAL_COLUMNS) for t in columns for c in columns[t]
}


def _values(section: Section, column: str) -> Mapping[str, Any]:
    """Return the entry of a column as a table; a bare text is the header of a source's column."""
    value = section.get(column)
    if isinstance(value, Mapping):
        return value
    if isinstance(value, str):
        return {"column": value}
    expected = 'the header of a column in quotes, or a table as in { column = "Amp", ... }'
    section.wrong(column, value, expected)
    return {"text": "x"}  # wrong as it is: nothing else is to be said of it


def _groups(
    section: Section,
    table: str,
    raw: object,
    entries: Mapping[str, Mapping[str, Any]],
    known: Iterable[str],
    translations: Translations,
) -> tuple[Group, ...]:
    example = 'a list, as in [{ is = { sensor = "cabin lateral" }, amplitude = "Lat amp" }]'
    if not isinstance(raw, list) or not all(isinstance(g, Mapping) for g in raw):
        section.wrong("groups", raw, example)
        return ()
    groups = []
    for i, values in enumerate(raw):
        entry = Entry(section, "groups", values, f" {i + 1}")
        said = entry.get("is", {})
        meaning = dict[str, str]()
        if not isinstance(said, Mapping) or not said:
            entry.wrong("is", said, 'what the group means, as in { sensor = "cabin lateral" }')
            said = {}
        for column, text in said.items():
            if column not in known or is_number(column):
                names = [c for c in known if not is_number(c)]
                words = one_of(f"a column of names of {table}", column, names)
                entry.wrong("is", Words(shown(column)), words)
            elif (name := entry.as_text("is", text)) is not None:
                meaning[column] = name
        ways = dict[str, Way]()
        for column in known:
            if column in entry.values:
                way = way_of(_merged(section, i, column, entries, entry), column, translations)
                if way is not None:
                    ways[column] = way
        entry.asked += known
        entry.close()
        groups.append(Group(meaning, ways))
    return tuple(groups)


def _merged(
    section: Section,
    i: int,
    column: str,
    entries: Mapping[str, Mapping[str, Any]],
    entry: Entry,
) -> Entry:
    """Return the entry of a group's column: the section's, where the group says nothing else."""
    own = entry.get(column)
    inside = f" {i + 1}.{column}"
    if not isinstance(own, str | Mapping):
        entry.wrong(column, own, "the header of a column in quotes, or a table")
        return Entry(section, "groups", {"text": "x"}, inside)
    own = {"column": own} if isinstance(own, str) else own
    shared = entries.get(column, {})
    if any(key in own for key in ORIGINS):
        shared = {k: v for k, v in shared.items() if k not in ORIGINS}
    return Entry(section, "groups", {**shared, **own}, inside)


def _check_columns(
    section: Section,
    table: str,
    ways: Mapping[str, Way],
    groups: tuple[Group, ...],
    completed: set[str],
) -> None:
    """Note columns of the log that are not filled, and groups that give the same."""
    seen = dict[frozenset[tuple[str, str]], int]()
    taken = dict[str, int]()
    for i, group in enumerate(groups or (Group({}, {}),)):
        where = f" (group {i + 1})" if groups else ""
        filled = {*ways, *group.meaning, *group.ways}
        for column in [c for c in NEEDED_COLUMNS[table] if c not in filled]:
            expected = f"where the log's {column} comes from{where}"
            section.wrong(column, Words("no such key"), expected)
        if table == "readings" and not {"clock", "phase_deg"} & filled:
            expected = f"where the phase comes from: clock or phase_deg{where}"
            section.wrong("clock", Words("no such key"), expected)
        for column in sorted(completed - filled):
            expected = f"a column of it in every group{where}"
            section.wrong(column, Words("no origin"), expected)
        for column in [c for c in group.meaning if c in ways or c in group.ways]:
            section.wrong("groups", Words(f"{column} twice{where}"), "each column filled once")
        if not groups:
            continue
        if not any(c in group.ways for c in VALUES[table]) and VALUES[table]:
            listed = " or ".join(VALUES[table])
            section.wrong("groups", Words(f"no {listed}{where}"), "a column of its own")
        same = seen.setdefault(frozenset(group.meaning.items()), i)
        if same != i:
            found = f"the groups {same + 1} and {i + 1}, which mean the same"
            section.wrong("groups", Words(found), "one group for each sensor, regime, blade ...")
        for column in VALUES[table]:
            way = group.ways.get(column)
            for header in way.origin.columns if way is not None and way.origin else ():
                other = taken.setdefault(f"{column} {header_name(header)}", i)
                if other != i:
                    found = f"{shown(header)} in the groups {other + 1} and {i + 1}"
                    section.wrong("groups", Words(found), f"one group for each column of {column}")
