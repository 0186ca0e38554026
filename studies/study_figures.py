"""Figures that several studies draw, readable in black and white."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter

__all__ = ["bars", "ours_and_solver", "stacked"]

FACES = ("0.35", "white", "0.75", "white", "0.55", "white", "0.9")
HATCHES = ("", "////", "", "....", "", "xxxx", "")


def bars(values: Sequence[tuple[str, float]], label: str, log: bool = False) -> Figure:
    """Return one bar for each name, its value beside it. label: what the values are, with unit."""
    figure = Figure(figsize=(6.8, 1.0 + 0.34 * len(values)), layout="constrained")
    axes = figure.add_subplot()
    axes.barh([name for name, _ in values], [v for _, v in values], color="0.6", edgecolor="black")
    if log:
        axes.set_xscale("log")
    axes.invert_yaxis()
    axes.set_xlabel(label)
    for at, (_, value) in enumerate(values):
        axes.annotate(f" {value:,.3g}" if value < 1000 else f" {value:,.0f}", (value, at),
                      va="center", fontsize=8)  # fmt: skip
    axes.margins(x=0.25)
    return figure


def stacked(
    panels: Mapping[str, Mapping[str, Sequence[float]]], parts: Sequence[str], label: str
) -> Figure:
    """Return a panel of bars each made of the same parts. panels: title to name to its parts."""
    names = list(next(iter(panels.values())))
    size = (2.6 + 2.3 * len(panels), 1.4 + 0.27 * len(names))
    figure = Figure(figsize=size, layout="constrained")
    whole = figure.subplots(1, len(panels), sharey=True, squeeze=False)
    for axes, (title, rows) in zip(whole[0], panels.items(), strict=True):
        left = np.zeros(len(names))
        for k, part in enumerate(parts):
            width = np.array([rows[name][k] for name in names])
            axes.barh(names, width, left=left, color=FACES[k], hatch=HATCHES[k],
                      edgecolor="black", linewidth=0.5, label=part)  # fmt: skip
            left = left + width
        axes.set_title(title, fontsize=9)
        axes.set_xlabel(label, fontsize=9)
        axes.tick_params(labelsize=8)
        axes.margins(x=0.0)
    whole[0][0].invert_yaxis()
    handles, labels = whole[0][0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(len(parts), 7),
                  fontsize=8, frameon=False)  # fmt: skip
    return figure


def ours_and_solver(
    ours: Sequence[float], theirs: Sequence[float], done: Sequence[bool], labels: tuple[str, str]
) -> Figure:
    """Return a solver's seconds by ours, one mark a problem, with lines of equal ratio.

    done: whether the solver came to its end. labels: of ours and of the solver's, with units [s].
    """
    figure = Figure(figsize=(5.2, 4.6), layout="constrained")
    axes = figure.add_subplot()
    x, y, ended = np.array(ours), np.array(theirs), np.array(done, dtype=bool)
    axes.loglog(x[ended], y[ended], "o", color="black", label="SCIP ended")
    axes.loglog(x[~ended], y[~ended], "^", color="black", markerfacecolor="white",
                label="SCIP unfinished: at least")  # fmt: skip
    reach = np.array([x.min(), x.max()])
    for times in (1, 10, 100, 1000):
        axes.plot(reach, times * reach, color="0.7", linewidth=0.8)
        axes.annotate(f"{times} times", (reach[1], times * reach[1]), ha="right", va="bottom",
                      fontsize=8)  # fmt: skip
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0,)))
        axis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set_xlabel(labels[0])
    axes.set_ylabel(labels[1])
    figure.legend(loc="outside lower center", ncols=2, fontsize=8, frameon=False)
    return figure
