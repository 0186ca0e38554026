"""What a study prints, and its tables and figures, kept in a folder."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt
from matplotlib.figure import Figure

__all__ = ["kept_csv", "kept_figure", "kept_text"]

Cell = str | float | int | bool | None


class _Both:
    """Two streams written to as one."""

    def __init__(self, *streams: TextIO) -> None:
        self._streams = streams

    def write(self, text: str) -> int:
        for stream in self._streams:
            stream.write(text)
        return len(text)

    def flush(self) -> None:
        for stream in self._streams:
            stream.flush()


@contextmanager
def kept_text(folder: Path | None, name: str) -> Iterator[None]:
    """Write what is printed meanwhile to a file too, where there is a folder."""
    if folder is None:
        yield
        return
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / name).open("w", encoding="utf-8") as file:
        printed = sys.stdout
        sys.stdout = _Both(printed, file)  # type: ignore[assignment]
        try:
            yield
        finally:
            sys.stdout = printed


def kept_csv(folder: Path | None, name: str, rows: Sequence[Mapping[str, Cell]]) -> None:
    """Write rows as a table, where there is a folder and there are rows."""
    if folder is None or not rows:
        return
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / name).open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def kept_figure(folder: Path | None, name: str, figure: Figure) -> None:
    """Write a figure as PNG and SVG, where there is a folder."""
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        for ending in ("png", "svg"):
            figure.savefig(folder / f"{name}.{ending}", dpi=150, bbox_inches="tight")
    plt.close(figure)
