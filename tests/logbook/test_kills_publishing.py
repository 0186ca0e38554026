"""Killed within a publish: the set is there with all that made it, or nothing of it."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest
from books import DEMO, demo_rotors, fresh, imported, numbered, part_of_demo
from forked import child_of

import adapt
from adapt.database.states import latest
from adapt.database.verifying import verify
from adapt.logbook import publishing
from adapt.logbook.publishing import publish
from adapt.logbook.recomputing import recompute
from adapt.logbook.sets import sets_of
from tests.logbook.test_kills import dying_at, seconds, steps_of

TAIL, CHART = DEMO / "tail-rotor.toml", DEMO / "tail-chart.csv"


def test_a_kill_at_any_statement_or_moment_of_a_publish_leaves_all_or_nothing(
    place: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    book = fresh(place)
    log = part_of_demo(tmp_path / "log", numbered(1, 15))
    assert imported(book, log, rotors=demo_rotors(), with_faults=True).change == 1
    rotor = adapt.read_rotor(TAIL)
    learned = adapt.learn(
        rotor, adapt.check(rotor, adapt.read_log(place)), adapt.read_chart(CHART, rotor)
    )
    with monkeypatch.context() as patched:
        # Learned once: what is killed here is the keeping.
        patched.setattr(publishing, "learn", lambda *_, **__: learned)
        within = 1.2 * seconds(lambda: publish(book, "first", "tester", rotor=TAIL, chart=CHART))
        steps = steps_of(lambda: publish(book, "second", "tester", rotor=TAIL, chart=CHART))
        commit = steps.index("COMMIT")
        writes = [n for n, step in enumerate(steps) if step.startswith("INSERT")]
        assert len(writes) >= 3
        assert writes[-1] < commit
        draw = random.Random(15)
        known, there = {"first", "second"}, 3
        # Before it writes, before each step from then on, just after the commit.
        before = sorted({writes[0] // 2, *range(writes[0] - 1, commit + 1)})
        ways = [*((step, False) for step in before), (commit, True), *[None] * 3]
        for n, how in enumerate(ways):

            def work(tell: object, label: str = f"set {n}") -> None:
                publish(book, label, "tester", rotor=TAIL, chart=CHART)
                tell("kept")  # type: ignore[operator]

            child = child_of(work if how is None else dying_at(work, *how))
            if how is None:
                time.sleep(draw.uniform(0.0, within))
            lines = child.kill() if how is None else child.wait()
            assert not [line for line in lines if line.startswith("failed")], lines
            seen = verify(book)
            assert seen.whole, seen.damages
            with book.reading() as connection:
                assert latest(connection) == seen.changes
                labels = {s.label for s in sets_of(connection)}
            assert labels - known <= {f"set {n}"}
            assert labels >= known
            assert (f"set {n}" in labels) or lines == []
            assert seen.changes == there + len(labels - known)
            assert how is None or (len(labels) > len(known)) == (how == (commit, True))
            known, there = labels, seen.changes
    assert recompute(book, max(known)).compared.agrees
