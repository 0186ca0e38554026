"""Work that takes longer than a page may: begun, looked at, taken up again, given up.

It goes on in a process of its own, so that pages answer meanwhile and it can be ended at once.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import CancelledError
from dataclasses import dataclass, field
from threading import RLock
from typing import Any

from pebble import ProcessPool

from adapt.pages import tasks
from adapt.problems import AdaptError

__all__ = ["QUICK_S", "Work", "Works"]

QUICK_S = 0.25  # that a page waits for work before it says that it is on its way
_MOST_KEPT = 200
_MOST_OF_A_KIND = 3  # answers on a whole fleet are large, and each change asks for new ones


@dataclass(eq=False)
class Work:
    """One piece of work. name: by which it is asked for; what: it does, in words."""

    name: str
    what: str
    future: Any
    _far: Any
    begun: float = field(default_factory=time.monotonic)

    @property
    def seconds(self) -> float:
        """How long it has been asked for."""
        return time.monotonic() - self.begun

    @property
    def far(self) -> str:
        """How far it is, in words; "" where nothing is told of it."""
        if self.done:
            return ""
        if not self.future.running():
            return "it waits for other work"
        done, of = (int(x) for x in self._far[:])
        return f"step {min(done + 1, of)} of {of}" if of else ""

    @property
    def done(self) -> bool:
        return bool(self.future.done())

    def wait(self, seconds: float) -> bool:
        """Wait a little; return whether it is done."""
        try:
            self.future.exception(timeout=seconds)
        except TimeoutError:
            return False
        except CancelledError:
            return True
        return True

    @property
    def given_up(self) -> bool:
        return bool(self.future.cancelled())

    def result(self) -> Any:
        """Return what came of it. Raises AdaptError where it could not be done, or was given up."""
        try:
            return self.future.result(timeout=0)
        except CancelledError:
            raise AdaptError(f"{self.what}: given up before it was done") from None
        except AdaptError:
            raise
        except TimeoutError:
            raise
        except Exception as error:
            # A process that died, or an error of this program: said, and not taken for an answer.
            raise AdaptError(f"{self.what}: ended without an answer ({error!r})") from error


class Works:
    """Pieces of work by name, in two processes: one for what takes long, one for what is quick."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._far = {quick: context.Array("q", 2) for quick in (False, True)}
        self._pools = {
            quick: ProcessPool(
                max_workers=1, initializer=tasks.told_to, initargs=(far,), context=context
            )
            for quick, far in self._far.items()
        }
        self._works: OrderedDict[str, Work] = OrderedDict()
        self._kinds: dict[str, list[str]] = {}
        self._one = RLock()

    def warm(self) -> None:
        """Begin to load what takes long to load."""
        for pool in self._pools.values():
            pool.schedule(tasks.warm)

    def begin(
        self, what: str, task: Callable[..., Any], *args: object, quick: bool = False,
        kind: str = "",
    ) -> Work:  # fmt: skip
        """Return the work of a task with these arguments: begun now, or before and still known.

        What failed or was given up begins anew. kind: of works of one kind only the last few are
        kept; "" for those that do not count so.
        """
        told = f"{task.__name__} {args!r}"
        name = hashlib.sha256(told.encode()).hexdigest()[:24]
        with self._one:
            known = self._works.get(name)
            if known is None or (known.done and self._failed(known)):
                future = self._pools[quick].schedule(tasks.begun, args=(task, *args))
                known = Work(name, what, future, self._far[quick])
                self._works[name] = known
            self._works.move_to_end(name)
            if kind:
                self._forget_older(kind, name)
            while len(self._works) > _MOST_KEPT:
                self._works.popitem(last=False)
            return known

    def find(self, name: str) -> Work | None:
        """Return the work of a name, None where it is not known."""
        with self._one:
            return self._works.get(name)

    def give_up(self, name: str) -> bool:
        """End a piece of work; return whether there was one that was not done."""
        work = self.find(name)
        return work is not None and not work.done and bool(work.future.cancel())

    def close(self) -> None:
        """End everything."""
        for pool in self._pools.values():
            pool.stop()  # type: ignore[no-untyped-call]
            pool.join(timeout=5)

    def _forget_older(self, kind: str, name: str) -> None:
        """Forget the older works of a kind; what is not done yet is looked at the next time."""
        names = [*(n for n in self._kinds.get(kind, []) if n != name), name]
        going_on = []
        for old in names[:-_MOST_OF_A_KIND]:
            found = self._works.get(old)
            if found is not None and found.done:
                del self._works[old]
            elif found is not None:
                going_on.append(old)
        self._kinds[kind] = going_on + names[-_MOST_OF_A_KIND:]

    @staticmethod
    def _failed(work: Work) -> bool:
        if work.given_up:
            return True
        error = work.future.exception(timeout=0)
        return error is not None and not isinstance(error, AdaptError)
