"""Killed at random moments of imports and publishes: is anything lost, or half there?

    python studies/kills.py                # 200 kills, on a SQLite file in a temporary folder
    python studies/kills.py --kills 1000 --seed 2
    python studies/kills.py --url postgresql://user@host/empty_database

Children import one job after the other, or publish one set after the other (each learned anew from
tail rotors' jobs, with a rotor file and a chart of its own), and are killed with SIGKILL. A third
of the moments is drawn over the statements of the work, so that a busy machine does not decide
where they fall, a third over its time, a third over the ends of its transactions. After each kill
all that was told as kept must be there, row by row and byte by byte, nothing may be there in part,
`verify` must find the logbook whole, and the work whose end was not heard of is given again: it is
kept then, or was kept already. A kill ends a process, not the machine: what a power cut does to a
disk is not tried here. Ends with status 1 when anything was lost, half there, damaged or refused.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from asking import add_folder, ended, whole
from kept import kept_csv, kept_figure, kept_text
from killed import COMMIT, KEPT, Killed, Until, killed, told
from killed_work import (
    KINDS,
    Rows,
    Tables,
    Work,
    job,
    job_name,
    rows_by_job,
    set_name,
    tail_jobs,
)
from study_figures import stacked

import adapt
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.database.states import latest, tables_in_force
from adapt.database.verifying import verify
from adapt.logbook.documents import document_of, documents_of
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.recomputing import recompute
from adapt.logbook.sets import content_of, sets_of
from adapt.problems import AdaptError

DEMO = Path(__file__).parents[1] / "datasets" / "demo"


@dataclass
class Tally:
    """Where the kills of one kind of work fell, and what was kept meanwhile.

    before: none of a transaction was begun. within: it was, and nothing of it was kept. after: it
    was kept though nobody heard. kept: changes; rows: of those, all told.
    """

    kills: int = 0
    before: int = 0
    within: int = 0
    at_commit: int = 0
    after: int = 0
    went_on: int = 0
    whole: int = 0
    kept: int = 0
    rows: int = 0


@dataclass
class Found:
    """What the kills of a run left behind.

    missing: rows that were confirmed and are not there. half: jobs and sets that are there in part.
    wrong: whatever else is not as it was told, in words.
    """

    tallies: dict[str, Tally] = field(default_factory=lambda: {kind: Tally() for kind in KINDS})
    missing: int = 0
    half: set[str] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def good(self) -> bool:
        whole = all(t.whole == t.went_on == t.kills for t in self.tallies.values())
        return whole and not (self.missing or self.half or self.wrong)


@dataclass(frozen=True)
class Seen:
    """What a logbook holds: changes, rows by job, and of each set what was new to look at."""

    changes: int
    damages: tuple[str, ...]
    jobs: Mapping[str, Rows]
    sets: Mapping[str, str]
    half_sets: frozenset[str]


def look(book: Logbook, work: Work, looked_at: Iterable[str] = ()) -> Seen:
    """Look at all that a logbook holds, in one state of it; sets of those labels only by name."""
    verified = verify(book)
    known, half, sets = set(looked_at), set(), {}
    with book.reading() as connection:
        change = latest(connection)
        jobs = rows_by_job(tables_in_force(book, connection, change).items())
        documents = {d.number for d in documents_of(connection, change)}
        for one in sets_of(connection):
            sets[one.label] = one.digest
            documents -= {one.rotor, one.chart}
            if one.label in known:
                continue
            try:
                content_of(book, connection, one)
                given = work.files(int(one.label.split()[1]))
                for number, path in zip((one.rotor, one.chart), given, strict=True):
                    if document_of(book, connection, number or 0)[1] != path.read_bytes():
                        half.add(one.label)
            except AdaptError:
                half.add(one.label)
    half |= {f"document {number} of no set" for number in documents}
    return Seen(change, tuple(map(str, verified.damages)), jobs, sets, frozenset(half))


class Held:
    """All that was confirmed, held against the logbook after each kill."""

    def __init__(self, work: Work, book: Logbook, tables: Tables) -> None:
        self.work, self.book, self.found = work, book, Found()
        self.reading = open_logbook(work.place)
        self.jobs = rows_by_job(tables)
        self.sets: set[str] = set()
        self.next = dict.fromkeys(KINDS, 1)
        self.changes = 1

    def confirm(self, kind: str, number: int) -> None:
        """Take down that a piece of work was told as kept, or is there after it was given again."""
        tally = self.found.tallies[kind]
        if number != self.next[kind]:
            self.found.wrong.append(f"{kind}: {number} told after {self.next[kind] - 1}")
        if kind == "imports":
            own = rows_by_job(job(self.work.main, number, self.work.seed))
            self.jobs |= own
            tally.rows += sum(rows.total() for rows in own.values())
        else:
            self.sets.add(set_name(number))
            tally.rows += 3  # the set, its rotor file, its chart
        tally.kept += 1
        self.changes += 1
        self.next[kind] = number + 1

    def after(self, kind: str, how: Killed) -> None:
        """Look at the logbook after a child was killed, and give again what it was at."""
        tally = self.found.tallies[kind]
        tally.kills += 1
        for number in how.kept:
            self.confirm(kind, number)
        self.found.wrong += how.failed
        number = self.next[kind]
        pending = job_name(number) if kind == "imports" else set_name(number)
        seen = look(self.reading, self.work, self.sets)
        there = self.compare(seen, pending)
        tally.whole += not seen.damages
        try:
            kept = self.work.do(self.book, kind, number) == "nothing"
        except AdaptError as error:
            self.found.wrong.append(f"given again: {error}")
            return
        # A server may end a change after its client was killed, and after the look.
        if (there and not kept) or (kept and not how.begun):
            self.found.wrong.append(f"{pending}: there {there}, kept {kept}, begun {how.begun}")
        tally.before += not how.begun
        tally.after += kept
        tally.within += how.begun and not kept
        tally.at_commit += how.at_commit and not kept
        tally.went_on += 1
        self.confirm(kind, number)

    def compare(self, seen: Seen, pending: str = "") -> bool:
        """Hold what is there against what was confirmed; return whether the pending work is there.

        What is pending may be there, with all of its rows, or not at all.
        """
        found, expected = self.found, dict(self.jobs)
        there = pending in seen.jobs or pending in seen.sets
        missing = 3 * len(self.sets - seen.sets.keys())
        if pending in seen.jobs:
            number = int(pending.split("-")[1])
            expected |= rows_by_job(job(self.work.main, number, self.work.seed))
        for name in expected.keys() | seen.jobs.keys():
            told, held = expected.get(name, Counter()), seen.jobs.get(name, Counter())
            if told != held:
                missing += (told - held).total() if name in self.jobs else 0
                found.half |= {name} if held else set()
        found.missing = max(found.missing, missing)
        found.half |= seen.half_sets | (seen.sets.keys() - self.sets - {pending})
        if seen.changes != self.changes + there:
            found.wrong.append(f"{seen.changes} changes are there, {self.changes} were confirmed")
        found.wrong += seen.damages
        return there


def begun(place: str, seed: int, folder: Path) -> Held:
    """Take the first rows into an empty logbook; folder: where files of the work are written."""
    tail, chart = (
        (DEMO / name).read_text("utf-8") for name in ("tail-rotor.toml", "tail-chart.csv")
    )
    main = adapt.read_rotor(DEMO / "main-rotor.toml")
    work = Work(place, folder, main, tail, chart, seed)
    book = open_logbook(place, to_write=True)
    tables = tail_jobs(DEMO / "log")
    taken = take_in(book, tables, "log", "tester", with_faults=True)
    held = Held(work, book, tables)
    if taken.change != 1:
        held.found.wrong.append(f"the first import: {taken.refused or 'not the first change'}")
    return held


def run(place: str, kills: int, seed: int, folder: Path) -> Found:
    """Kill children that work on an empty logbook."""
    started = time.perf_counter()
    held = begun(place, seed, folder)
    usual = {kind: first_of(held, kind) for kind in KINDS}
    draw = random.Random(seed)
    for kill in range(kills):
        kind = KINDS[kill % 2]
        until, wait_s = moment(draw, usual[kind], kill // 2 % 3)
        how = killed(held.work.going_on(kind, held.next[kind]), until, wait_s)
        held.after(kind, how)
        if (kill + 1) % 20 == 0:
            spent = time.perf_counter() - started
            print(f"{kill + 1} of {kills} kills, {spent:.0f} s", file=sys.stderr, flush=True)
    held.compare(look(held.reading, held.work))
    last = set_name(held.next["publishes"] - 1)
    if not recompute(held.book, last).compared.agrees:
        held.found.wrong.append("the last set, learned again, is another")
    held.found.seconds = time.perf_counter() - started
    return held.found


def first_of(held: Held, kind: str) -> Killed:
    """Do the first pieces of work, none of them killed; return how they went."""
    # The first is done here, so that the children begin with all that it loads.
    held.work.do(held.book, kind, 1)
    held.confirm(kind, 1)
    how = killed(held.work.going_on(kind, 2, 3), None)
    for number in how.kept:
        held.confirm(kind, number)
    held.found.wrong += how.failed
    return how


def moment(draw: random.Random, usual: Killed, over: int) -> tuple[Until, float]:
    """Draw when a child is killed: after which lines that it told, and how long after these [s].

    over: 0 its statements, 1 its time, 2 the ends of its transactions.
    """
    if over == 0:
        steps = draw.randrange(2 * usual.steps // 3)  # of three pieces of work
        return lambda lines: len(lines) >= steps, 0.004 * draw.random()
    what, times = (KEPT, usual.each_s) if over == 1 else (COMMIT, usual.end_s)
    count = draw.randrange(2) + over - 1
    return lambda lines: told(lines, what) >= count, 1.2 * statistics.median(times) * draw.random()


LINES = {
    "kills": "kills",
    "before": "  before a transaction",
    "within": "  within one, nothing of it kept",
    "at_commit": "    of them when it was about to end",
    "after": "  after it, kept though nobody heard",
    "whole": "looked through after the kill and whole",
    "went_on": "work went on",
    "kept": "changes confirmed",
    "rows": "rows confirmed",
}


def report(found: Found, where: str, seed: int) -> list[dict[str, str | int]]:
    """Print what was found; return it as rows."""
    columns = [found.tallies[kind] for kind in KINDS]
    rows: list[dict[str, str | int]] = []
    kills = sum(t.kills for t in columns)
    print(f"{kills} kills on {where} in {found.seconds:.0f} s (seed {seed})")
    print(f"{'':42s}{KINDS[0]:>11s}{KINDS[1]:>11s}{'in all':>11s}")
    for name, words in LINES.items():
        counts = [getattr(tally, name) for tally in columns]
        print(f"{words:42s}{counts[0]:11,d}{counts[1]:11,d}{sum(counts):11,d}")
        rows.append({"what": words.strip(), KINDS[0]: counts[0], KINDS[1]: counts[1]})
    print(f"rows confirmed and missing: {found.missing}")
    print(f"jobs and sets half there: {len(found.half)} {sorted(found.half)[:5] or ''}")
    print(f"otherwise not as told: {len(found.wrong)} {found.wrong[:5] or ''}")
    return rows


def main() -> int:
    """Run, and print the figures."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    options.add_argument("--kills", type=whole(1), default=200)
    options.add_argument("--quick", dest="kills", action="store_const", const=20, help="20 kills")
    options.add_argument("--seed", type=whole(0), default=1)
    options.add_argument("--url", help="an empty database of a server, in place of a file")
    add_folder(options)
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as folder, kept_text(asked.folder, "kills.txt"):
        place = asked.url or str(Path(folder) / "fleet.logbook")
        new_logbook(place)
        found = run(place, asked.kills, asked.seed, Path(folder))
        where = "a SQLite file" if asked.url is None else "a server"
        kept_csv(asked.folder, "kills.csv", report(found, where, asked.seed))
    fell = ("before", "within", "after")
    tallies = {kind: [getattr(t, name) for name in fell] for kind, t in found.tallies.items()}
    words = [LINES[name].strip() for name in fell]
    kept_figure(asked.folder, "kills", stacked({f"kills on {where}": tallies}, words, "kills"))
    return 0 if found.good else 1


if __name__ == "__main__":
    ended(main)
