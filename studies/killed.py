"""A child process that is killed at a drawn moment of its work, and what it told until then."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise

import sqlalchemy as sa

__all__ = ["COMMIT", "KEPT", "Killed", "killed", "told", "watched"]

KEPT = "kept "
BEGUN, STATEMENT, COMMIT, FAILED = "begun", "statement", "commit", "failed "
Tell = Callable[[str], None]
Until = Callable[[Sequence[str]], bool]


@dataclass(frozen=True)
class Killed:
    """What a child told before it was killed, or ended.

    kept: numbers of what was kept. begun, at_commit: how far the transaction after these was.
    failed: what went wrong. steps: lines in all. each_s: from one that was kept to the next [s].
    end_s: from the end of a transaction to its being told [s].
    """

    kept: tuple[int, ...]
    begun: bool
    at_commit: bool
    failed: tuple[str, ...]
    steps: int
    each_s: tuple[float, ...]
    end_s: tuple[float, ...]


def watched(engine: sa.Engine, tell: Tell) -> None:
    """Let a child tell when a transaction begins, when one is about to end, and each statement."""
    sa.event.listen(engine, "begin", lambda *_: tell(BEGUN))
    sa.event.listen(engine, "before_cursor_execute", lambda *_: tell(STATEMENT))
    sa.event.listen(engine, "commit", lambda *_: tell(COMMIT))


def killed(work: Callable[[Tell], None], until: Until | None, wait_s: float = 0.0) -> Killed:
    """Do some work in a forked child that is killed; without a moment it is waited for.

    until: asked after each line that it told, and before the first, whether the moment has come;
    it has `wait_s` more [s].
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        _end_of(work, writing)
    os.close(writing)
    lines: list[str] = []
    moments: dict[str, list[float]] = {KEPT: [], COMMIT: []}
    with os.fdopen(reading, "rb") as pipe:
        while (until is None or not until(lines)) and (line := pipe.readline()):
            lines.append(line.decode().rstrip("\n"))
            for what, seen in moments.items():
                if lines[-1].startswith(what):
                    seen.append(time.perf_counter())
        if until is not None:
            time.sleep(wait_s)
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        lines += pipe.read().decode().splitlines()
    os.waitpid(child, 0)
    last = max((n for n, line in enumerate(lines) if line.startswith(KEPT)), default=-1)
    return Killed(
        tuple(int(line.removeprefix(KEPT)) for line in lines if line.startswith(KEPT)),
        BEGUN in lines[last + 1 :],
        COMMIT in lines[last + 1 :],
        tuple(line.removeprefix(FAILED) for line in lines if line.startswith(FAILED)),
        len(lines),
        tuple(later - earlier for earlier, later in pairwise(moments[KEPT])),
        tuple(kept - at for at, kept in zip(moments[COMMIT], moments[KEPT], strict=False)),
    )


def told(lines: Sequence[str], what: str) -> int:
    """Return how many lines tell something: `KEPT`, `COMMIT`."""
    return sum(line.startswith(what) for line in lines)


def _end_of(work: Callable[[Tell], None], pipe: int) -> None:
    """Work as the child, and end."""

    def tell(line: str) -> None:
        os.write(pipe, (line + "\n").encode())

    try:
        work(tell)
    except BaseException as error:
        with suppress(BaseException):
            tell(f"{FAILED}{type(error).__name__} {error}".replace("\n", " "))
    finally:
        os._exit(0)
