"""Tasks over any executor of `concurrent.futures`, answers in the tasks' own order.

A process pool, or a cluster whose client gives such an executor, makes the same answers as one
process: every task knows all that it needs.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from typing import TypeVar

__all__ = ["over"]

Task = TypeVar("Task")
Answer = TypeVar("Answer")

_WAITING = 256  # tasks handed out and not collected, at most


def over(
    executor: Executor | None, work: Callable[[Task], Answer], tasks: Iterable[Task]
) -> Iterator[Answer]:
    """Yield the answers of tasks in their order; without an executor one after the other, here.

    Tasks are taken as they come, so that those who make them can go on while others work. When one
    fails its error is raised, and those not begun are cancelled.
    """
    if executor is None:
        yield from map(work, tasks)
        return
    waiting: deque[Future[Answer]] = deque()
    try:
        for task in tasks:
            waiting.append(executor.submit(work, task))
            while waiting and (waiting[0].done() or len(waiting) > _WAITING):
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
