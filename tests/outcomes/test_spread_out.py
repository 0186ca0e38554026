"""Tasks over executors: in order, lazily, and an error ends it."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import pytest

from adapt.outcomes.spread_out import over


def square(n: int) -> int:
    if n == 7:
        raise ValueError("seven")
    return n * n


@pytest.mark.parametrize("workers", [0, 1, 4])
def test_answers_stand_in_the_order_of_the_tasks(workers: int) -> None:
    tasks = [n for n in range(600) if n != 7]
    if not workers:
        assert list(over(None, square, tasks)) == [n * n for n in tasks]
        return
    with ThreadPoolExecutor(workers) as pool:
        assert list(over(pool, square, tasks)) == [n * n for n in tasks]


@pytest.mark.parametrize("workers", [0, 2])
def test_an_error_is_raised_where_the_answers_are_taken(workers: int) -> None:
    if not workers:
        with pytest.raises(ValueError, match="seven"):
            list(over(None, square, range(20)))
        return
    with ThreadPoolExecutor(workers) as pool, pytest.raises(ValueError, match="seven"):
        list(over(pool, square, range(20)))


def test_tasks_are_made_while_others_are_worked_on() -> None:
    """The first task is being worked on, and cannot end before the second one is made."""
    made, begun = Event(), Event()

    def tasks() -> Iterator[int]:
        yield 1
        assert begun.wait(10.0)
        made.set()
        yield 2

    def work(n: int) -> int:
        begun.set()
        assert made.wait(10.0)
        return n

    with ThreadPoolExecutor(1) as pool:
        assert list(over(pool, work, tasks())) == [1, 2]


def test_what_has_not_begun_is_given_up_after_an_error() -> None:
    seen: list[int] = []
    go = Event()

    def work(n: int) -> int:
        go.wait(10.0)
        seen.append(n)
        raise ValueError("at once")

    with ThreadPoolExecutor(1) as pool:
        answers = over(pool, work, range(50))
        go.set()
        with pytest.raises(ValueError, match="at once"):
            list(answers)
    assert len(seen) < 50
