"""Where a command may write: apart from all that it reads, and where files can be written at all.

Asked before anything takes long, so that no answer is lost to a place that was wrong all along.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping
from pathlib import Path

from adapt.problems import BadInput, shown

__all__ = ["require_apart", "require_places"]

_READ = {"ROTOR": "rotor", "LOG": "log", "--chart": "chart", "--coefficients": "coefficients"}


def require_places(
    asked: argparse.Namespace,
    files: Mapping[str, str | None],
    folders: Mapping[str, str | None] | None = None,
) -> None:
    """Raise BadInput where files or folders cannot be written as asked.

    files, folders: paths by option; None = not asked for. A file must be none of those that are
    read (the rotor file, the log with its tables, the chart, the coefficients).
    """
    read = {name: getattr(asked, part, None) for name, part in _READ.items()}
    require_apart(files, read | _tables(read["LOG"]))
    wrong = []
    for option, path in files.items():
        if path is not None:
            place = _place(path)
            if place.is_dir() or not os.access(place.parent, os.W_OK):
                found = f"{option}: found {shown(path)}"
                wrong.append(f"{found}; expected a file in a folder that can be written to")
    for option, path in (folders or {}).items():
        if path is not None:
            place = _place(path)
            if place.exists() and not (place.is_dir() and os.access(place, os.W_OK)):
                found = f"{option}: found {shown(path)}"
                wrong.append(f"{found}; expected a folder that can be written to, or a new one")
    if wrong:
        raise BadInput("\n".join(wrong))


def require_apart(written: Mapping[str, str | None], read: Mapping[str, str | None]) -> None:
    """Raise BadInput where a file to be written is one that is read, or two would be one file.

    written, read: paths by option or argument; None = not asked for. What is turned or drawn from a
    file must not take its place: done twice, it would be turned twice.
    """
    taken: dict[str, str] = {}
    wrong = []
    for option, path in (*read.items(), *written.items()):
        if path is None:
            continue
        place = os.path.realpath(_place(path))
        if option in written and place in taken:
            found = f"{option}: found {shown(path)}, which is {taken[place]}"
            wrong.append(f"{found}; expected another file to write to")
        taken.setdefault(place, option)
    if wrong:
        raise BadInput("\n".join(wrong))


def _tables(log: str | None) -> dict[str, str | None]:
    """Return the files of a log that is a folder, none where it is not."""
    try:
        found = [] if log is None else sorted(_place(log).iterdir())
    except OSError:  # no folder, or one that reading it will tell of
        found = []
    return {f"{file.name} of LOG": str(file) for file in found}


def _place(path: str) -> Path:
    return Path(path.replace("\0", "?"))  # no file has it in its name
