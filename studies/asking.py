"""What all studies are asked for in the same way, and how they end when they are stopped.

What is asked for wrongly is refused in one line before any work begins.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

__all__ = [
    "add_folder",
    "add_quick",
    "ended",
    "folder",
    "of_the_study",
    "options_of",
    "seconds",
    "whole",
]

STOPPED = 130  # the usual status of who was stopped by Ctrl-C


def options_of(about: str | None) -> argparse.ArgumentParser:
    """Return the options of a study, none yet. about: its docstring, of which the first line."""
    return argparse.ArgumentParser(description=(about or "").splitlines()[0])


def add_folder(options: argparse.ArgumentParser) -> None:
    """Add the folder in which a study keeps what it prints, its tables and its figure."""
    options.add_argument("--folder", type=folder, help="where tables and figures are written")


def add_quick(options: argparse.ArgumentParser, what: str) -> None:
    """Add --quick, a small study. what: how small, in words."""
    options.add_argument("--quick", action="store_true", help=what)


def whole(least: int) -> Callable[[str], int]:
    """Return what reads a whole number of at least this."""

    def read(text: str) -> int:
        try:
            number = int(text)
        except ValueError:
            number = least - 1
        if number < least:
            raise argparse.ArgumentTypeError(
                f"found '{text}'; expected a whole number, {least} or more"
            )
        return number

    return read


def seconds(text: str) -> float:
    """Read a time above 0 [s]."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0.0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"found '{text}'; expected seconds above 0")
    return number


def folder(text: str) -> Path:
    """Read the path of a folder that is there or can be made."""
    path = Path(text)
    nearest = next(p for p in (path, *path.absolute().parents) if p.exists())
    if not nearest.is_dir():
        raise argparse.ArgumentTypeError(f"{nearest} is a file; expected a folder, new or not")
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise argparse.ArgumentTypeError(f"nothing may be written in {nearest}")
    return path


def of_the_study() -> None:
    """In a process of a study: leave Ctrl-C to the study, end when told to, and with the study."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    study = multiprocessing.parent_process()
    assert study is not None

    def outlive_nobody() -> None:
        study.join()
        os._exit(1)

    threading.Thread(target=outlive_nobody, daemon=True).start()


def ended(main: Callable[[], int | None]) -> NoReturn:
    """Do the study and end; stopped (Ctrl-C, or told to end) in one line."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        status = main() or 0
    except KeyboardInterrupt:
        print("stopped before the end", file=sys.stderr)
        status = STOPPED
    sys.exit(status)
