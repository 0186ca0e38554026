"""Where the tables of a map's sources stand: files of a folder, sheets of a workbook.

And the lines before a table's header, as text. What stands in the tables is not read here.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import islice
from pathlib import Path

from adapt.decoding import encoding_of
from adapt.logbook.maps.noted import Noted
from adapt.logbook.maps.values import Map, Source
from adapt.problems import BadInput, shown
from adapt.sheets import read_sheet, sheet_names

__all__ = ["Place", "places_of", "preamble_of"]

_TABLES = (".csv", ".txt", ".tsv", ".xlsx")
_LONGEST_PREAMBLE = 1 << 20  # characters


@dataclass(frozen=True)
class Place:
    """One table: its file, its sheet (None = the only one), and what messages call it."""

    source: Source
    path: Path
    sheet: str | None
    shown_as: str

    @property
    def workbook(self) -> bool:
        """Whether it is a sheet of a workbook."""
        return self.path.suffix.lower() == ".xlsx"


def places_of(map_: Map, path: Path, noted: Noted) -> list[Place]:
    """Return every table of the sources, source by source; what is missing is noted."""
    try:
        is_folder = path.is_dir()
        if not is_folder and not path.is_file():
            raise OSError("no such file or folder")
        there = _below(path) if is_folder else [path]
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        expected = "a file or a folder with the instrument's tables"
        noted.fault(str(path), None, None, f"nothing that can be read ({reason})", expected)
        return []
    found: list[Place] = []
    for source in map_.sources:
        files = [f for f in there if _matches(f, path, is_folder, source)]
        if not files and not source.may_be_missing and (is_folder or len(map_.sources) == 1):
            wanted = source.files or "*" + " or *".join(_TABLES)
            expected = f"a file {shown(wanted)} for the source {shown(source.name)} of the map"
            noted.fault(str(path), None, None, "no such file", expected)
        for file in files:
            name = _printable(file.relative_to(path).as_posix() if is_folder else file.name)
            found += _sheets(source, file, name, noted)
    used = {place.path for place in found}
    if not is_folder and not found and not noted.any_wrong:
        patterns = ", ".join(shown(s.files) for s in map_.sources)
        noted.fault(str(path), None, None, "no such file", f"a name that fits one of {patterns}")
    for file in there:
        if is_folder and file not in used and file.suffix.lower() in _TABLES:
            expected = "a file that a source of the map fits; it was not read"
            name = _printable(file.relative_to(path).as_posix())
            noted.doubt(name, "a table", expected)
    return found


def _below(folder: Path) -> list[Path]:
    return sorted(
        f for f in folder.rglob("*") if f.is_file() and not f.name.startswith((".", "~$"))
    )


def _matches(file: Path, path: Path, is_folder: bool, source: Source) -> bool:
    """Return whether a file is one of a source; a pattern without / is of files right in it."""
    if source.sheets is not None and file.suffix.lower() != ".xlsx":
        return False
    if source.files is None:
        return not is_folder or (file.parent == path and file.suffix.lower() in _TABLES)
    if not is_folder:
        return fnmatchcase(file.name, source.files.rpartition("/")[2])
    wanted, parts = source.files.split("/"), file.relative_to(path).parts
    return len(wanted) == len(parts) and all(map(fnmatchcase, parts, wanted))


def _sheets(source: Source, file: Path, name: str, noted: Noted) -> Iterator[Place]:
    if source.sheets is None:
        yield Place(source, file, None, name)
        return
    try:
        sheets = sheet_names(file, name)
    except BadInput as error:
        noted.add(error.problems)
        return
    fitting = [s for s in sheets if fnmatchcase(s, source.sheets)]
    if not fitting:
        listed = ", ".join(map(shown, sheets[:8]))
        expected = f"a sheet {shown(source.sheets)} for the source {shown(source.name)} of the map"
        noted.fault(name, None, None, f"the sheets {listed}", expected)
    for sheet in fitting:
        yield Place(source, file, sheet, f"{name}, sheet {_printable(sheet)}")


def _printable(name: str) -> str:
    """Return a name from outside as a message can show it."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode() for c in name
    )


def preamble_of(place: Place) -> str:
    """Return the lines before the header of a table. Raises BadInput when it cannot be read."""
    lines = place.source.skip_lines
    if place.workbook:
        cells, _ = read_sheet(place.path, place.sheet, place.shown_as)
        return "\n".join("\t".join(row).rstrip() for row in cells[:lines])
    with place.path.open("rb") as handle:
        encoding, _ = encoding_of(handle, place.shown_as, place.source.encoding)
        handle.seek(0)
        with io.TextIOWrapper(handle, encoding, newline="") as text:
            read = "".join(line[:_LONGEST_PREAMBLE] for line in islice(text, lines))
    return re.sub(r"\r\n?", "\n", read)
