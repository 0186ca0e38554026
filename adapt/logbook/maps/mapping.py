"""The one verb: an instrument's tables, read through a map, as tables of a log in batches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from os import PathLike
from pathlib import Path

import numpy as np

from adapt.logbook.maps.applying import (
    columns_of,
    meets_all,
    rows_given,
    without_left_out,
)
from adapt.logbook.maps.converting import Writing
from adapt.logbook.maps.filling import Fixed, header_name, units_expected
from adapt.logbook.maps.noted import Noted
from adapt.logbook.maps.once import Runs
from adapt.logbook.maps.places import Place, places_of, preamble_of
from adapt.logbook.maps.units import unit_name
from adapt.logbook.maps.values import Given, Map, Source, Way
from adapt.problems import BadInput, one_of, shown
from adapt.tables import Column, Table, read_batches

__all__ = ["mapped"]

FEWEST_ROWS = 1_000  # of a wide table at a time


def mapped(
    map_: Map, path: str | PathLike[str], most_rows: int = 50_000
) -> Iterator[tuple[str, Table]]:
    """Yield the tables of a log that a map reads out of a file or a folder, in batches.

    Each item is the name of a table of the log and rows of it: texts in the columns of the log,
    with the row numbers and the name of the file (and sheet) that they come from. most_rows: of
    one item, about. Of a source so many rows are in memory at a time (a workbook whole), and a few
    numbers for each run. The last item may have no rows: its `problems` are doubts, which say
    among others what was left out.

    Raises BadInput with every problem found, when all that could be read has been: then nothing
    of what was yielded before counts, so whoever stores it does so all or nothing. After the first
    problem no more rows are yielded.
    """
    source_path, noted = Path(path), Noted()
    of_runs = [g for g in map_.given if g.table == "runs"]
    runs = Runs(dict.fromkeys(n for g in of_runs for n in columns_of(g, map_.source(g.source))))
    rows = 0
    for place in places_of(map_, source_path, noted):
        of_source = [g for g in map_.given if g.source == place.source.name]
        try:
            for given, table in _of_place(place, of_source, runs, noted, most_rows):
                rows += len(table)
                if len(table) and not noted.any_wrong:
                    yield given.table, table
        except BadInput as error:
            noted.add(error.problems)
    noted.raise_if_any()
    if rows == 0:
        noted.doubt(str(path), "no row that the map uses", "rows to be read")
    if told := noted.told(str(path)):
        first = map_.given[0]
        names = columns_of(first, map_.source(first.source))
        nothing = np.zeros(0, dtype=np.intp)
        columns = {n: Column(n, nothing, ("",)) for n in names}
        yield first.table, Table(str(path), columns, nothing.astype(np.int64), problems=told)


def _of_place(
    place: Place, of_source: list[Given], runs: Runs, noted: Noted, most_rows: int
) -> Iterator[tuple[Given, Table]]:
    """Yield what one table of the instrument gives, batch by batch."""
    source, fixed = place.source, _fixed(place, of_source)
    groups = max(len(given.groups) or 1 for given in of_source)
    most_rows = max(most_rows // groups, min(most_rows, FEWEST_ROWS))
    batches = read_batches(
        place.path,
        place.sheet,
        place.shown_as,
        most_rows,
        source.skip_lines,
        source.separator,
        source.encoding,
        source.headers,
        source.header_row,
    )
    checked = False
    for batch in batches:
        noted.add(batch.problems)
        table = batch
        if source.decimal_sign is not None:
            comma = source.decimal_sign == ","
            table = replace(batch, decimal_comma=comma, comma_seen=comma)
        if not checked and not _has_columns(place, of_source, table, noted):
            return
        checked = True
        writing = Writing(table.decimal_comma, table.comma_seen, place.workbook)
        table = without_left_out(table, source, source.left_out, source.only, noted)
        for given in of_source:
            used = without_left_out(table, source, given.left_out, given.only, noted)
            result = rows_given(given, source, used, fixed, writing, noted)
            if given.table == "runs":
                result = runs.new(result, given.first_counts, noted)
            yield given, result
        _note_unused(source, of_source, table, noted)
        noted.end_batch()


def _note_unused(source: Source, of_source: list[Given], table: Table, noted: Noted) -> None:
    """Note rows that no section of a table of the log uses, by its conditions `only`."""
    for name in dict.fromkeys(given.table for given in of_source):
        sections = [given for given in of_source if given.table == name]
        if all(given.only for given in sections):
            unused = table
            for given in sections:
                unused = unused.select(~meets_all(unused, given.only))
            found = f"something that no section [[{name}]] asks for"
            asked = ", ".join(dict.fromkeys(c.column for g in sections for c in g.only))
            noted.left_out(source.name, asked, found, table.file, unused.rows)


def _ways(given: Given) -> Iterator[Way]:
    yield from given.ways.values()
    for group in given.groups:
        yield from group.ways.values()


def _fixed(place: Place, of_source: list[Given]) -> Fixed:
    kinds = {way.origin.kind for given in of_source for way in _ways(given) if way.origin}
    preamble = preamble_of(place) if "preamble" in kinds else ""
    return Fixed(place.path.stem, place.sheet or "", preamble)


def _has_columns(place: Place, of_source: list[Given], table: Table, noted: Noted) -> bool:
    """Return whether a source has every column that the map names; what is wrong is noted."""
    source, row = place.source, place.source.skip_lines + 1
    ways = [way for given in of_source for way in _ways(given)]
    headers = [c for way in ways if way.origin for c in way.origin.columns]
    conditions = [*source.left_out, *source.only]
    conditions += [c for given in of_source for c in (*given.left_out, *given.only)]
    headers += [c.column for c in conditions]
    missing = [h for h in dict.fromkeys(headers) if header_name(h) not in table]
    for header in missing:
        expected = one_of("this column, as the map names it", header_name(header), table.columns)
        noted.fault(place.shown_as, row, header, "no such column", expected)
    for way in ways:
        for header in way.origin.columns if way.origin else ():
            said = table.column(header_name(header)).unit
            units = units_expected(way)
            if said is not None and units and unit_name(said) not in units:
                found = f"the unit {shown(said)} in the header"
                expected = f"{units[0]}, as the map says"
                noted.fault(place.shown_as, row, header, found, expected)
    return not missing
