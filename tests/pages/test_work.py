"""Work in processes of its own: the same is done once, and of a kind only the last is kept."""

from __future__ import annotations

import time

import pytest

from adapt.pages import tasks
from adapt.pages.work import Works
from adapt.problems import AdaptError

WAIT_S = 120.0


def doubled(number: int) -> int:
    return 2 * number


def refused(number: int) -> int:
    raise AdaptError(f"found {number}")


def test_the_same_is_done_once_and_found_by_its_name(works: Works) -> None:
    first = works.begin("Doubling", doubled, 4)
    assert first.wait(WAIT_S)
    assert first.result() == 8
    assert works.begin("Doubling", doubled, 4) is first
    assert works.find(first.name) is first
    assert works.begin("Doubling", doubled, 5) is not first


def test_what_is_refused_is_told_as_it_was_said(works: Works) -> None:
    work = works.begin("Refusing", refused, 3)
    assert work.wait(WAIT_S)
    with pytest.raises(AdaptError, match="found 3"):
        work.result()


def test_of_a_kind_only_the_last_few_are_kept(works: Works) -> None:
    made = [works.begin("Doubling", doubled, k, kind="twice") for k in range(100, 104)]
    assert all(work.wait(WAIT_S) for work in made)
    works.begin("Doubling", doubled, 104, kind="twice")
    assert works.find(made[0].name) is None
    assert works.find(made[1].name) is None
    assert works.find(made[3].name) is made[3]


def slow(steps: int) -> int:
    for done in range(steps):
        tasks._tell(done, steps)
        time.sleep(0.3)
    return steps


def test_how_far_it_is_is_told_while_it_goes_on(works: Works) -> None:
    works.begin("First", doubled, 7).wait(WAIT_S)
    work = works.begin("Steps", slow, 12)
    behind = works.begin("Behind it", doubled, 8)
    seen = set()
    until = time.monotonic() + WAIT_S
    while not work.done and time.monotonic() < until:
        seen.add((work.far, behind.far))
        time.sleep(0.05)
    told = {far for far, _ in seen}
    assert told >= {f"step {k} of 12" for k in (3, 6, 9)}
    assert told <= {"", *(f"step {k} of 12" for k in range(1, 13)), "it waits for other work"}
    assert ("step 6 of 12", "it waits for other work") in seen
    assert work.far == ""
    # What comes next is not taken for as far as what was before it.
    assert behind.wait(WAIT_S)
    after = works.begin("After", slow, 1)
    assert after.far in ("", "it waits for other work", "step 1 of 1")
    assert after.wait(WAIT_S)
