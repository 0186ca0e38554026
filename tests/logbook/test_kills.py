"""Killed at any moment: what was confirmed is there, nothing is half there, and work goes on.

Children are killed where a statement begins or ends, and at drawn moments between (hundreds of
those are `studies/kills.py`); the server is shut down at once with work under way.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Callable
from pathlib import Path

import sqlalchemy as sa
from books import fresh, to_write
from forked import child_of
from servers import Server
from small_jobs import ROWS, bring_in, job_name

from adapt.database.backing_up import back_up, restore
from adapt.database.making import new_logbook
from adapt.database.opening import Logbook, open_logbook
from adapt.database.states import tables_in_force
from adapt.database.verifying import Verified, verify, verify_rows
from adapt.problems import BadInput

Tell = Callable[[str], None]


def importing(book: Logbook, first: int) -> Callable[[Tell], None]:
    """Return the work of a child that imports one job after the other, and tells what was kept."""

    def work(tell: Tell) -> None:
        number = first
        while True:
            if bring_in(book, number).change is not None:
                tell(f"kept {number}")
            number += 1

    return work


def looked(book: Logbook) -> tuple[Verified, dict[str, int]]:
    """Return what looking through says, and the rows of each job that are in force."""
    with book.reading() as connection:
        seen = verify_rows(connection)
        rows: dict[str, int] = {}
        for table in tables_in_force(book, connection, seen.changes).values():
            for name in table.text("job"):
                rows[name] = rows.get(name, 0) + 1
    return seen, rows


class Kept:
    """What the children of a test were told was kept, held against the logbook after each kill."""

    def __init__(self, book: Logbook, reading: Logbook) -> None:
        self.book, self.reading = book, reading
        self.next = 1
        self.kills = 0
        self.unheard = 0  # changes that were kept though nobody was told

    def after(self, lines: list[str]) -> None:
        """Look at the logbook after a child was killed."""
        self.kills += 1
        told = [int(line.split()[1]) for line in lines if line.startswith("kept")]
        assert told == list(range(self.next, self.next + len(told)))
        last = self.next + len(told) - 1
        seen, rows = looked(self.reading)
        assert seen.whole, seen.damages
        assert set(rows.values()) <= {ROWS}, "a job is half there"
        assert seen.changes in (last, last + 1)
        assert set(rows) == {job_name(n) for n in range(1, seen.changes + 1)}
        self.unheard += seen.changes - last
        # The import that nobody heard the end of is given again: it adds what was missing.
        again = bring_in(self.book, last + 1)
        assert again.new == (ROWS if seen.changes == last else 0)
        self.next = last + 2


def dying_at(work: Callable[[Tell], None], step: int, after: bool) -> Callable[[Tell], None]:
    """Return work that ends itself at its n-th statement (or commit), before or after it."""

    def begin(tell: Tell) -> None:
        left = iter(range(step, -1, -1))

        def count(*_: object, **__: object) -> None:
            if next(left, 0) == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        plain = sa.Connection._commit_impl  # type: ignore[attr-defined]

        def commit(connection: sa.Connection) -> None:
            if not after:
                count()
            plain(connection)
            if after:
                count()

        sa.Connection._commit_impl = commit  # type: ignore[attr-defined]
        name = "after_cursor_execute" if after else "before_cursor_execute"
        sa.event.listen(sa.Engine, name, count)
        work(tell)

    return begin


def steps_of(work: Callable[[], object]) -> list[str]:
    """Return the statements of some work and its commits, in their order."""
    seen: list[str] = []
    plain = sa.Connection._commit_impl  # type: ignore[attr-defined]

    def note(connection: object, cursor: object, statement: str, *_: object) -> None:
        seen.append(statement)

    def commit(connection: sa.Connection) -> None:
        seen.append("COMMIT")
        plain(connection)

    sa.event.listen(sa.Engine, "before_cursor_execute", note)
    sa.Connection._commit_impl = commit  # type: ignore[attr-defined]
    try:
        work()
    finally:
        sa.Connection._commit_impl = plain  # type: ignore[attr-defined]
        sa.event.remove(sa.Engine, "before_cursor_execute", note)
    return seen


def test_a_kill_at_any_statement_of_an_import_leaves_all_or_nothing(place: str) -> None:
    book = fresh(place)
    assert bring_in(book, 1).change == 1
    found = steps_of(lambda: bring_in(book, 2))
    steps = len(found)
    assert steps > 15
    assert found.index("COMMIT") == steps - 1
    kept = Kept(book, open_logbook(place))
    kept.next = 3
    before = range(steps) if book.on_file else [*range(0, steps - 3, 4), *range(steps - 3, steps)]
    # Between the end of one statement and the beginning of the next a database is told nothing:
    # only after the commit is another moment than before the next.
    for step, after in [*((step, False) for step in before), (steps - 1, True)]:
        unheard = kept.unheard
        child = child_of(dying_at(importing(book, kept.next), step, after))
        lines = child.wait()
        assert not [line for line in lines if line.startswith("failed")], lines
        kept.after(lines)
        # Killed just after the commit, it was kept and not told; and only then.
        assert kept.unheard == unheard + after
    assert verify(book).whole


def drawn_kills(book: Logbook, reading: Logbook, count: int, seed: int) -> Kept:
    draw = random.Random(seed)
    kept = Kept(book, reading)
    within = 1.2 * seconds(lambda: bring_in(book, 1))
    kept.next = 2
    for n in range(count):
        child = child_of(importing(book, kept.next))
        # Not by the clock alone: a machine that is busy would kill them all before they began.
        child.await_lines(n % 4)
        time.sleep(drawn(draw, within, n, count))
        kept.after(child.kill())
    return kept


def drawn(draw: random.Random, within: float, n: int, count: int) -> float:
    """Return a moment in the n-th of so many parts of a time: few of them cover all of it."""
    return within * (n + draw.random()) / count


def test_a_kill_at_any_moment_of_imports_to_a_file_loses_nothing(tmp_path: Path) -> None:
    book = fresh(str(tmp_path / "fleet.logbook"))
    kept = drawn_kills(book, open_logbook(book.shown), 12, 0)
    assert kept.kills == 12
    assert kept.next > 24, "children were killed before they did anything"
    assert verify(book).whole


def test_a_kill_at_any_moment_of_imports_to_a_server_loses_nothing(server: Server) -> None:
    book = fresh(server.new_database())
    kept = drawn_kills(book, open_logbook(book.address), 8, 9)
    assert kept.kills == 8
    assert verify(book).whole


def test_a_server_that_is_shut_down_at_once_loses_nothing(server: Server) -> None:
    book = fresh(server.new_database())
    kept = Kept(book, open_logbook(book.address))
    draw = random.Random(10)
    for n in range(4):
        child = child_of(importing(book, kept.next))
        child.await_lines(n)
        time.sleep(drawn(draw, 0.1, n, 4))
        server.stop("immediate")
        lines = child.wait()
        assert lines[-1].startswith("failed"), lines
        assert "AdaptError" in lines[-1] or "BadInput" in lines[-1], lines[-1]
        server.start()
        kept.after(lines)
    assert kept.next >= 8
    assert verify(book).whole


def killed_in(work: Callable[[], object], after: float) -> bool:
    """Do some work in a child that is killed after a time; return whether it was done."""

    def told(tell: Tell) -> None:
        work()
        tell("done")

    child = child_of(told)
    time.sleep(after)
    lines = child.kill()
    assert not [line for line in lines if line.startswith("failed")], lines
    return lines == ["done"]


def found_at(place: str) -> Logbook | None:
    """Return the logbook at a place, None where there is none and nothing of one."""
    try:
        return open_logbook(place)
    except BadInput as error:
        if "no logbook" not in str(error):
            raise
        return None


def seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def test_a_kill_while_a_logbook_is_made_leaves_none_or_a_whole_one(
    place: str, second_place: Callable[[], str]
) -> None:
    within = 1.3 * seconds(lambda: new_logbook(second_place()))
    draw = random.Random(11)
    here = second_place()
    ends = set()
    for n in range(8):
        done = killed_in(lambda at=here: new_logbook(at), drawn(draw, within, n, 8))  # type: ignore[misc]
        found = found_at(here)
        ends.add("none" if found is None else "whole")
        if found is None:
            assert not done
            continue
        assert verify(found).whole
        assert bring_in(to_write(here), 1).change == 1
        here = second_place()
    new_logbook(second_place())
    assert "none" in ends


def test_a_kill_of_a_back_up_or_of_bringing_it_back_leaves_none_or_a_whole_one(
    place: str, tmp_path: Path, second_place: Callable[[], str]
) -> None:
    book = fresh(place)
    for number in range(1, 13):
        bring_in(book, number)
    good = tmp_path / "good.logbook"
    within = 1.3 * seconds(lambda: back_up(book, good))
    digest = verify(book).digest
    draw = random.Random(12)
    for n in range(5):
        target = tmp_path / f"{n}.logbook"
        after = drawn(draw, within, n, 5)
        done = killed_in(lambda at=target: back_up(book, at), after)  # type: ignore[misc]
        assert target.exists() or not done
        if target.exists():
            assert verify(open_logbook(target)).digest == digest
        # Over an earlier one: that, or the new one.
        done = killed_in(lambda: back_up(book, good, over=True), drawn(draw, within, n, 5))
        assert verify(open_logbook(good)).digest == digest
    here = second_place()
    within = 1.3 * seconds(lambda: restore(good, here))
    here = second_place()
    for n in range(5):
        after = drawn(draw, within, n, 5)
        done = killed_in(lambda at=here: restore(good, at), after)  # type: ignore[misc]
        found = found_at(here)
        if found is None:
            assert not done
            continue
        assert verify(found).digest == digest
        here = second_place()
    assert verify(book).digest == digest
