"""What a long study has done so far, kept in its folder, so that one that was stopped goes on.

Results of another state of the code are not mixed in: they are set aside, and the file starts
afresh. What counts is the code as it was when the study began, which is what it works with.
"""

from __future__ import annotations

import hashlib
import pickle
import sys
from pathlib import Path
from typing import Any

__all__ = ["Begun"]

_ROOT = Path(__file__).parents[1]


class Begun:
    """Finished tasks of a study by their words. folder None: nothing is kept."""

    def __init__(self, folder: Path | None) -> None:
        self.done: dict[str, Any] = {}
        self._path = None if folder is None else folder / "begun.pickle"
        if self._path is None:
            return
        self._path.parent.mkdir(parents=True, exist_ok=True)
        whole = self._read()
        if not whole and self._path.exists():
            aside = self._path.with_name("begun-before.pickle")
            self._path.replace(aside)
            print(f"{self._path}: of another state of the code, kept as {aside.name}; "
                  "all is done anew", file=sys.stderr)  # fmt: skip
        with self._path.open("r+b" if whole else "wb") as file:
            file.truncate(whole)
            if not whole:
                pickle.dump(AT_START, file)

    def _read(self) -> int:
        """Take in what is there of this state of the code; return how many bytes that is."""
        whole = 0
        if self._path is None or not self._path.exists():
            return whole
        with self._path.open("rb") as file:
            try:
                if pickle.load(file) == AT_START:
                    whole = file.tell()
                    while True:
                        words, result = pickle.load(file)
                        self.done[words] = result
                        whole = file.tell()
            except (EOFError, pickle.UnpicklingError):  # the end, or stopped in mid-write
                pass
        return whole

    def add(self, words: str, result: Any) -> None:
        """Keep the result of a task. words: what it is called; nothing else may be called so."""
        self.done[words] = result
        if self._path is not None:
            with self._path.open("ab") as file:
                pickle.dump((words, result), file)


def code() -> str:
    """Return a fingerprint of the package and of the studies as they are."""
    found = hashlib.sha256()
    for path in sorted([*(_ROOT / "adapt").rglob("*.py"), *(_ROOT / "studies").glob("*.py")]):
        found.update(path.relative_to(_ROOT).as_posix().encode() + path.read_bytes())
    return found.hexdigest()


AT_START = code()
