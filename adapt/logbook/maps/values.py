"""A column map as frozen values: which sources there are, and where a log's columns come from.

How the file of a map is read stands in `reading` and the modules it uses; what is done with the
values in `mapping`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from adapt.logbook.maps.expressions import Expression
from adapt.logbook.maps.units import Scale

__all__ = [
    "NUMBERS",
    "TABLES",
    "VALUES",
    "Condition",
    "Given",
    "Group",
    "Map",
    "Moment",
    "Names",
    "Origin",
    "Source",
    "Turn",
    "Way",
]

TABLES = ("runs", "readings", "track", "moves", "fitted", "events")
VALUES: Mapping[str, tuple[str, ...]] = {
    "runs": (),
    "readings": ("amplitude", "clock", "phase_deg"),
    "track": ("height",),
    "moves": ("amount",),
    "fitted": ("amount",),
    "events": (),
}
"""The columns that hold what was measured or done: without them there is no row."""

NUMBERS = (
    "amplitude", "phase_deg", "spread", "repeats", "height", "lag", "amount",
    "gross_weight", "wind_kt", "oat_c", "rpm",
)  # fmt: skip


@dataclass(frozen=True)
class Origin:
    """Where a text comes from.

    kind: "column" (one or several of the source, joined), "text" (the same in every row), or the
    name of the file, of the sheet, or the lines before the header.
    columns: their headers as the map writes them.
    """

    kind: Literal["column", "text", "file_name", "sheet_name", "preamble"]
    columns: tuple[str, ...] = ()
    joined_by: str = ""
    text: str = ""


@dataclass(frozen=True)
class Names:
    """What is done with a name: a part of it taken, translated, something put before or after.

    part: an expression whose one group is what is meant. means: the names of the log by those of
    the source; keep_unknown: a name that is not in it stays as it is, and is refused otherwise.
    one_less: a whole number becomes the one before.
    """

    part: Expression | None = None
    means: Mapping[str, str] | None = None
    keep_unknown: bool = False
    prefix: str = ""
    suffix: str = ""
    one_less: bool = False

    def __bool__(self) -> bool:
        return self != Names()


@dataclass(frozen=True)
class Turn:
    """How a phase is written and counted.

    written: "clock" (h:mm), "hours" (4.5), or "degrees". reversed: lead becomes lag or lag lead,
    phase -> 360 - phase. offset_deg: what is added then [deg of the sensor's order], as a decimal
    text.
    """

    written: Literal["clock", "hours", "degrees"]
    reversed: bool = False
    offset_deg: str = "0"

    @property
    def moves(self) -> bool:
        """Whether it changes a phase at all."""
        return self.reversed or float(self.offset_deg) != 0.0


@dataclass(frozen=True)
class Moment:
    """How a date and time is written: a strptime pattern (None = ISO 8601), and the UTC offset."""

    pattern: str | None = None
    utc_offset: str = ""


@dataclass(frozen=True)
class Way:
    """How one column of the log is filled: where from, and what is done on the way.

    At most one of scale, turn and moment stands, by what the column is.
    """

    origin: Origin | None
    names: Names = Names()
    scale: Scale | None = None
    turn: Turn | None = None
    moment: Moment | None = None


@dataclass(frozen=True)
class Group:
    """Columns of a wide table that give one row of the log for each row of theirs.

    meaning: the texts of the log that they stand for (sensor, regime, blade ...). ways: of the
    columns that are its own.
    """

    meaning: Mapping[str, str]
    ways: Mapping[str, Way]


@dataclass(frozen=True)
class Condition:
    """A condition on a row of the source.

    kind: "is" (one of `texts`), "is_not" (none of them), "matches" (`expression` somewhere in it),
    "empty", "number"; wanted: what the last two have to be.
    """

    column: str
    kind: Literal["is", "is_not", "matches", "empty", "number"]
    texts: frozenset[str] = frozenset()
    expression: Expression | None = None
    wanted: bool = True


@dataclass(frozen=True)
class Source:
    """A kind of table that the instrument writes.

    files: a pattern of file names (None = any table in the folder); sheets: of sheet names.
    headers: names of its columns in place of those of its header row, if it has one.
    not_read: cells that say that nothing was read. excluded: cells that say so for a reason, with
    the reason. left_out, only: conditions on its rows.
    """

    name: str
    files: str | None = None
    sheets: str | None = None
    skip_lines: int = 0
    headers: tuple[str, ...] | None = None
    header_row: bool = True
    separator: str | None = None
    decimal_sign: str | None = None
    encoding: str | None = None
    may_be_missing: bool = False
    not_read: frozenset[str] = frozenset()
    excluded: Mapping[str, str] = field(default_factory=dict)
    left_out: tuple[Condition, ...] = ()
    only: tuple[Condition, ...] = ()


@dataclass(frozen=True)
class Given:
    """One table of the log that a source gives.

    number: its place among the sections of this table in the map. ways: by column of the log, and
    of those beside them that it does not know; in those that the groups complete `origin` is None.
    first_counts: of rows of a run that differ the first is taken (runs only); they are refused
    otherwise.
    """

    table: str
    number: int
    source: str
    ways: Mapping[str, Way]
    groups: tuple[Group, ...] = ()
    left_out: tuple[Condition, ...] = ()
    only: tuple[Condition, ...] = ()
    first_counts: bool = False


@dataclass(frozen=True)
class Map:
    """A column map. file: how messages name it; text: it as it was written, to be kept."""

    name: str
    sources: tuple[Source, ...]
    given: tuple[Given, ...]
    note: str
    file: str
    text: str

    def source(self, name: str) -> Source:
        """Return the source of this name."""
        return next(s for s in self.sources if s.name == name)
