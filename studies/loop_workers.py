"""Running seeded jobs one by one or in several processes, with progress on standard error."""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from asking import add_folder, of_the_study, options_of, whole
from begun import Begun

__all__ = ["arguments", "executor_of", "results_of", "run_all", "seeds_of"]

One = TypeVar("One")
Result = TypeVar("Result")


def run_all(
    work: Callable[[One], list[Result]],
    tasks: Sequence[One],
    executor: Executor | None = None,
    what: str = "jobs",
    folder: Path | None = None,
) -> list[Result]:
    """Return the results of all tasks in order, whoever does them; None: this process, in turn.

    folder: where finished tasks are kept, so that a run that was stopped goes on from there.
    """
    began = time.perf_counter()
    begun = Begun(folder)
    words = [f"{work.__module__}.{work.__name__} {task!r}" for task in tasks]
    left = [place for place in range(len(tasks)) if words[place] not in begun.done]
    if len(left) < len(tasks):
        print(f"{what}: {len(tasks) - len(left)} of {len(tasks)} were done before", file=sys.stderr)
    try:
        for number, (place, part) in enumerate(
            _as_done(work, [tasks[place] for place in left], executor), len(tasks) - len(left) + 1
        ):
            begun.add(words[left[place]], part)
            if number % max(1, len(tasks) // 20) == 0 or number == len(tasks):
                spent = time.perf_counter() - began
                print(
                    f"{what}: {number} of {len(tasks)}, {spent:.0f} s", file=sys.stderr, flush=True
                )
    except KeyboardInterrupt:
        done = sum(word in begun.done for word in words)
        print(f"{what}: {done} of {len(tasks)} done; "
              + (f"the same command goes on from what {folder} keeps" if folder
                 else "nothing kept: that takes --folder"), file=sys.stderr)  # fmt: skip
        raise
    return [result for word in words for result in begun.done[word]]


def _as_done(
    work: Callable[[One], list[Result]], tasks: Sequence[One], executor: Executor | None
) -> Iterator[tuple[int, list[Result]]]:
    """Give each task's place and result as it is done: a slow one holds no other up."""
    if executor is None:
        yield from enumerate(map(work, tasks))
        return
    places = {executor.submit(work, task): place for place, task in enumerate(tasks)}
    for future in as_completed(places):
        yield places[future], future.result()


@contextmanager
def executor_of(workers: int) -> Iterator[Executor | None]:
    """Give so many processes; None for one. Whatever ends the study ends them, in mid-task."""
    if workers <= 1:
        yield None
        return
    executor = ProcessPoolExecutor(workers, initializer=of_the_study)
    try:
        yield executor
    except BaseException:
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    finally:
        executor.shutdown(cancel_futures=True)


def seeds_of(asked: argparse.Namespace) -> range:
    """Return the seeds of the jobs that were asked for."""
    return range(asked.seed, asked.seed + asked.jobs)


def results_of(
    asked: argparse.Namespace,
    work: Callable[[One], list[Result]],
    tasks: Sequence[One],
    what: str = "jobs",
) -> list[Result]:
    """Return the results of all tasks in order, by as many processes as were asked for."""
    with executor_of(asked.workers) as executor:
        return run_all(work, tasks, executor, what, asked.folder)


def arguments(about: str | None, jobs: int, quick: int) -> argparse.ArgumentParser:
    """Return the options that all studies of the closed loop take.

    Of a single job no interval could be told.
    """
    options = options_of(about)
    options.add_argument("--jobs", type=whole(2), default=jobs, help=f"of each cell; {jobs}")
    options.add_argument(
        "--quick", dest="jobs", action="store_const", const=quick, help=f"{quick} jobs a cell"
    )
    options.add_argument("--seed", type=whole(0), default=0, help="of the first job; 0")
    options.add_argument("--workers", type=whole(1), default=1, help="processes; 1")
    add_folder(options)
    return options
