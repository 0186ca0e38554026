"""Blocks of a page of docs held against what the commands print.

A block stands after a comment: `command: NAME` (one line to type), `printed: NAME` (what it prints,
`...` where lines are left out), `example: FILE` (a file that the commands read).
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Iterator
from pathlib import Path

NUMBER = re.compile(r"\d+(?:\.\d+)?")
_BLOCK = r"<!-- {mark} -->\n```\w*\n(.*?)```"


def block(page: str, mark: str) -> str:
    """Return the fenced block after a comment."""
    found = re.search(_BLOCK.format(mark=re.escape(mark)), page, re.DOTALL)
    assert found is not None, mark
    return found[1]


def named(page: str, kind: str) -> list[str]:
    """Return the names of all blocks of a kind, in order."""
    return re.findall(rf"<!-- {kind}: (\S+) -->", page)


def words(page: str, name: str) -> list[str]:
    """Return the words of a command of the page, without the program's name."""
    (line,) = block(page, f"command: {name}").strip().splitlines()
    program, *rest = shlex.split(line)
    assert program == "adapt"
    return rest


def write_examples(page: str, folder: Path) -> None:
    """Write every example file of the page."""
    for name in named(page, "example"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(block(page, f"example: {name}"), encoding="utf-8")


def lacking(shown: str, printed: Iterable[str]) -> str | None:
    """Return the first line of a block that was not printed after those before it, or None."""
    rest: Iterator[str] = iter(line.rstrip() for line in printed)
    for line in shown.splitlines():
        if line != "..." and not any(same(line, other) for other in rest):
            return line
    return None


def same(shown: str, printed: str) -> bool:
    """Return whether two lines say the same, but for one in the last place of their numbers.

    The last place of an estimate that lies between two is another one on another machine.
    """
    if NUMBER.sub("#", shown) != NUMBER.sub("#", printed):
        return False
    pairs = zip(NUMBER.findall(shown), NUMBER.findall(printed), strict=True)
    return all(abs(_last_places(a) - _last_places(b)) <= 1 for a, b in pairs)


def _last_places(number: str) -> int:
    return int(number.replace(".", ""))
