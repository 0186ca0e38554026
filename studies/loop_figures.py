"""Figures of closed loops, readable in black and white: markers and line styles, no colours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt
from loop_tables import Value
from matplotlib.axes import Axes
from matplotlib.figure import Figure

__all__ = ["by_condition", "by_pairs"]

MARKERS = ("o", "s", "^", "D", "v", "P", "X")
STYLES = ("-", "--", ":", "-.", (0, (5, 1)), (0, (3, 1, 1, 1, 1, 1)), (0, (1, 3)))

# What the columns of the tables are called on an axis.
WORDS = {
    "corrections": "mean corrections to limits",
    "inside first": "share inside at the first correction",
    "less true": "stated chance less share inside",
    "moves": "moves in the whole job",
    "error": "error of coefficients / their size",
}

Rows = Sequence[Mapping[str, Value]]


def by_pairs(tables: Mapping[str, Rows], columns: Sequence[str]) -> Figure:
    """Return one row of panels for each world: its columns over the rotor's earlier pairs.

    Rows of a method without a number of pairs ("-") become a level line.
    """
    size = (4.4 * len(columns), 3.2 * len(tables) + 0.6)
    figure, axes = plt.subplots(
        len(tables), len(columns), figsize=size, squeeze=False, layout="constrained"
    )
    for row, (title, rows) in enumerate(tables.items()):
        for panel, column in zip(axes[row], columns, strict=True):
            _lines(panel, rows, column)
            panel.set_title(title, fontsize=9)
    handles, labels = axes[0][0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=5, fontsize=8, frameon=False)
    return figure


def by_condition(rows: Rows, condition: str, series: str, columns: Sequence[str]) -> Figure:
    """Return one panel for each column: estimates by condition (down), one marker a series.

    Where the series are the conditions themselves, one marker stands on each line.
    """
    conditions = list(dict.fromkeys(str(r[condition]) for r in rows))
    names = list(dict.fromkeys(str(r[series]) for r in rows))
    beside = 0.0 if condition == series else 0.8 / len(names)
    size = (2.0 + 3.2 * len(columns), 1.3 + max(0.42, 0.13 * len(names)) * len(conditions))
    figure, axes = plt.subplots(
        1, len(columns), figsize=size, squeeze=False, sharey=True, layout="constrained"
    )
    for panel, column in zip(axes[0], columns, strict=True):
        for k, name in enumerate(names):
            mine = [r for r in rows if r[series] == name]
            shift = beside * (k - (len(names) - 1) / 2)
            at = [conditions.index(str(r[condition])) + shift for r in mine]
            _points(panel, at, [r[column] for r in mine], MARKERS[k % len(MARKERS)], name)
        panel.set_xlabel(WORDS.get(column, column), fontsize=9)
        panel.set_ylim(len(conditions) - 0.4, -0.6)
        panel.grid(axis="x", color="0.85", linewidth=0.6)
    axes[0][0].set_yticks(range(len(conditions)), conditions, fontsize=8)
    if condition != series:
        handles, labels = axes[0][0].get_legend_handles_labels()
        place = "outside lower center"
        figure.legend(handles, labels, loc=place, ncols=5, fontsize=8, frameon=False)
    return figure


def _lines(panel: Axes, rows: Rows, column: str) -> None:
    methods = list(dict.fromkeys(str(r["who decides"]) for r in rows))
    for k, method in enumerate(methods):
        mine = [r for r in rows if r["who decides"] == method]
        values = [v for r in mine if isinstance(v := r[column], tuple)]
        style, grey = STYLES[k % len(STYLES)], "0.45" if mine[0]["pairs"] == "-" else "0.0"
        if mine[0]["pairs"] == "-":
            panel.axhline(values[0][0], color=grey, linestyle=style, linewidth=1.2, label=method)
            continue
        reach = [[max(v[0] - v[1], 0.0) for v in values], [max(v[2] - v[0], 0.0) for v in values]]
        shift = 0.12 * (k - len(methods) + 1.5)  # the last two are side by side
        at = [place + shift for place in range(len(mine))]
        panel.errorbar(
            at, [v[0] for v in values], yerr=reach, color=grey, marker=MARKERS[k % len(MARKERS)],
            linestyle=style, linewidth=1.2, markersize=5, markerfacecolor="white", capsize=2,
            label=method,
        )  # fmt: skip
        panel.set_xticks(range(len(mine)), [str(r["pairs"]) for r in mine])
    panel.set_xlabel("earlier pairs on the rotor", fontsize=9)
    panel.set_ylabel(WORDS.get(column, column), fontsize=9)
    panel.grid(axis="y", color="0.85", linewidth=0.6)


def _points(
    panel: Axes, at: Sequence[float], values: Sequence[Value], marker: str, name: str
) -> None:
    held = [v for v in values if isinstance(v, tuple)]
    reach = [[max(v[0] - v[1], 0.0) for v in held], [max(v[2] - v[0], 0.0) for v in held]]
    panel.errorbar(
        [v[0] for v in held], at, xerr=reach, color="0.0", marker=marker, linestyle="none",
        markersize=5, markerfacecolor="white", capsize=2, linewidth=1.0, label=name,
    )  # fmt: skip
