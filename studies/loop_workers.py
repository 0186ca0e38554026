"""Running seeded jobs one by one or in several processes, with progress on standard error."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

__all__ = ["arguments", "executor_of", "run_all"]

One = TypeVar("One")
Result = TypeVar("Result")


def run_all(
    work: Callable[[One], list[Result]],
    tasks: Sequence[One],
    executor: Executor | None = None,
    what: str = "jobs",
) -> list[Result]:
    """Return the results of all tasks in order, whoever does them; None: this process, in turn."""
    begun, found = time.perf_counter(), list[Result]()
    parts: Iterable[list[Result]]
    parts = map(work, tasks) if executor is None else executor.map(work, tasks)
    for number, part in enumerate(parts, start=1):
        found += part
        if number % max(1, len(tasks) // 20) == 0 or number == len(tasks):
            spent = time.perf_counter() - begun
            print(f"{what}: {number} of {len(tasks)}, {spent:.0f} s", file=sys.stderr, flush=True)
    return found


@contextmanager
def executor_of(workers: int) -> Iterator[Executor | None]:
    """Give so many processes; None for one."""
    if workers <= 1:
        yield None
        return
    with ProcessPoolExecutor(workers) as executor:
        yield executor


def arguments(about: str | None, jobs: int, quick: int) -> argparse.ArgumentParser:
    """Return the options that all studies of the closed loop take."""
    options = argparse.ArgumentParser(description=(about or "").splitlines()[0])
    options.add_argument("--jobs", type=int, default=jobs, help="of each cell")
    options.add_argument(
        "--quick", dest="jobs", action="store_const", const=quick, help=f"{quick} jobs a cell"
    )
    options.add_argument("--seed", type=int, default=0, help="of the first job")
    options.add_argument("--workers", type=int, default=1, help="processes")
    options.add_argument("--folder", type=Path, help="where table and figure are written")
    return options
