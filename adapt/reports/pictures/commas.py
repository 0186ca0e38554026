"""Numbers along the axes of a picture, with a comma for who writes it so."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure
from matplotlib.ticker import Formatter, PercentFormatter, ScalarFormatter

__all__ = ["with_commas"]


def with_commas(figure: Figure) -> None:
    """Have the numbers along all axes of a figure written with a comma as decimal sign.

    Names along an axis stay as they are.
    """
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            plain = axis.get_major_formatter()
            if isinstance(plain, ScalarFormatter | PercentFormatter):
                axis.set_major_formatter(_Commas(plain))


class _Commas(Formatter):
    """What another formatter writes, with a comma."""

    def __init__(self, plain: Formatter) -> None:
        self._plain = plain

    def __call__(self, x: float, pos: int | None = None) -> str:
        return self._plain(x, pos).replace(".", ",")

    def format_ticks(self, values: Any) -> list[str]:
        return [text.replace(".", ",") for text in self._plain.format_ticks(values)]

    def set_axis(self, axis: Any) -> None:
        super().set_axis(axis)
        self._plain.set_axis(axis)

    def set_locs(self, locs: list[float]) -> None:
        self._plain.set_locs(locs)

    def get_offset(self) -> str:
        return self._plain.get_offset().replace(".", ",")
