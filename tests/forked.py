"""Running something in a child of the tests: as a user without rights, with a limit, to be killed.

A child is forked from the prepared parent, so that it begins at once.
"""

from __future__ import annotations

import os
import pickle
import signal
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from adapt.problems import AdaptError

NOBODY = 65534


@dataclass(frozen=True)
class Told:
    """The words of an AdaptError, and which it was."""

    kind: str
    words: str


def in_child(action: Callable[[], Any], without_rights: bool = False) -> Any:
    """Return what an action gives in a child process, or what it told; anything else fails."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            if without_rights and os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            found: Any = action()
        except AdaptError as error:
            found = Told(type(error).__name__, str(error))
        except BaseException as error:
            import traceback

            found = "".join(traceback.format_exception(error)).encode()
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(pickle.dumps(found))
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        content = pipe.read()
    os.waitpid(child, 0)
    found = pickle.loads(content)
    assert not isinstance(found, bytes), found.decode()
    return found


class Child:
    """A child that tells lines."""

    def __init__(self, pid: int, pipe: int) -> None:
        self.pid = pid
        self._pipe = os.fdopen(pipe, "rb")
        self._lines: list[str] = []

    def await_lines(self, count: int) -> None:
        """Wait until it has told so many lines, or has ended."""
        while len(self._lines) < count and (line := self._pipe.readline()):
            self._lines.append(line.decode().rstrip("\n"))

    def kill(self) -> list[str]:
        """Kill it at once, and return what it told."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)
        return self.wait()

    def wait(self) -> list[str]:
        """Wait for its end, and return what it told."""
        with self._pipe:
            self._lines += self._pipe.read().decode().splitlines()
        os.waitpid(self.pid, 0)
        return self._lines


def child_of(work: Callable[[Callable[[str], None]], None]) -> Child:
    """Start a child that does some work, to which it is given how to tell a line."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)

        def tell(line: str) -> None:
            os.write(writing, (line + "\n").encode())

        try:
            work(tell)
        except BaseException as error:
            with suppress(BaseException):
                tell(f"failed {type(error).__name__} {error}")
        finally:
            os._exit(0)
    os.close(writing)
    return Child(child, reading)
