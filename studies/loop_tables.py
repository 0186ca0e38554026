"""Tables of closed loops: one row a cell, with intervals from resampling whole jobs; text and CSV.

Every job has a fleet, a chart and a rotor of its own, so the job is what is independent. All cells
hold the same jobs, and one draw of jobs serves them all, so that differences and shares of gaps
keep what jobs have in common. Shares of jobs have score intervals instead: where every job is
inside, resampling would know no doubt. Differences and gaps closed still suffer from that when
(nearly) all jobs agree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from closed_loop import Outcome
from kept import kept_csv, kept_text

__all__ = ["Cells", "Value", "put", "text_of"]

DRAWS = 2000
# 0 or 1 a job
SHARES = (
    "first_inside", "calm_inside", "feasible", "not_done", "suspects", "turn", "health",
)  # fmt: skip
SURE = 0.97  # what the oracle states of a correction that ought to succeed

Value = str | int | tuple[float, float, float]
"""A word, a number, or an estimate with the ends of its 95 % interval (NaN: nothing to say)."""


class Cells:
    """Outcomes by cell, jobs in the same order in each. Every estimate comes with its interval."""

    def __init__(self, outcomes: Sequence[Outcome], seed: int = 1) -> None:
        by_cell: dict[tuple[str, ...], list[Outcome]] = {}
        for one in outcomes:
            by_cell.setdefault(one.cell, []).append(one)
        self.by_cell = {c: sorted(v, key=lambda o: o.seed) for c, v in by_cell.items()}
        seeds = {tuple(o.seed for o in v) for v in self.by_cell.values()}
        if len(seeds) != 1:
            raise ValueError("cells hold different jobs")
        self.jobs = len(next(iter(seeds)))
        draws = np.random.default_rng(seed).integers(self.jobs, size=(DRAWS, self.jobs))
        self._weight = np.stack([np.bincount(d, minlength=self.jobs) for d in draws])

    def column(self, cell: tuple[str, ...], name: str) -> np.ndarray:
        """Return one number of every job of a cell, (job,)."""
        return np.array([float(getattr(o, name)) for o in self.by_cell[cell]])

    def mean(self, cell: tuple[str, ...], name: str, where: np.ndarray | None = None) -> Value:
        """Return the mean over jobs, or those of them `where` is true, (job,)."""
        values = self.column(cell, name)
        usable = ~np.isnan(values) if where is None else where & ~np.isnan(values)
        if not usable.any():
            return (np.nan, np.nan, np.nan)
        held = np.where(usable, values, 0.0)
        if name in SHARES:
            return _share(int(held.sum()), int(usable.sum()))
        drawn = self._weight @ held / np.maximum(self._weight @ usable, 1e-9)
        return _with_interval(held.sum() / usable.sum(), drawn)

    def less(self, cell: tuple[str, ...], other: tuple[str, ...], name: str) -> Value:
        """Return the mean of a cell less that of another, job by job."""
        apart = self.column(cell, name) - self.column(other, name)
        return _with_interval(apart.mean(), self._weight @ apart / self.jobs)

    def stated_less_true(self, cell: tuple[str, ...]) -> Value:
        """Return by how much the stated chance of first corrections exceeds the share inside."""
        apart = self.column(cell, "stated") - self.column(cell, "first_inside")
        if np.isnan(apart).all():
            return (np.nan, np.nan, np.nan)
        return _with_interval(apart.mean(), self._weight @ apart / self.jobs)

    def gap_closed(
        self, cell: tuple[str, ...], chart: tuple[str, ...], oracle: tuple[str, ...]
    ) -> Value:
        """Return the share of the gap in mean corrections between chart and oracle closed."""
        start, end = (self.column(c, "corrections") for c in (chart, oracle))
        won, gap = start - self.column(cell, "corrections"), start - end
        if gap.sum() <= 0.0:
            return (np.nan, np.nan, np.nan)
        gaps = self._weight @ gap
        drawn = np.where(gaps > 0, self._weight @ won / np.where(gaps > 0, gaps, 1.0), np.nan)
        return _with_interval(won.sum() / gap.sum(), drawn)

    def sure(self, oracle: tuple[str, ...]) -> np.ndarray:
        """Return in which jobs the oracle states a chance of at least SURE, (job,)."""
        return self.column(oracle, "product") >= SURE


def text_of(title: str, rows: Sequence[Mapping[str, Value]]) -> str:
    """Return a table as aligned text; an estimate as `1.23 (1.10 to 1.35)`."""
    names = list(rows[0])
    lines = [names, *[[_shown(row[name]) for name in names] for row in rows]]
    width = [max(len(line[k]) for line in lines) for k in range(len(names))]
    shown = ["  ".join(x.ljust(w) for x, w in zip(line, width, strict=True)) for line in lines]
    return "\n".join([title, *(line.rstrip() for line in shown)]) + "\n"


def put(
    folder: Path | None,
    name: str,
    title: str,
    rows: Sequence[Mapping[str, Value]],
    more: str = "",
) -> None:
    """Print a table and what is said of it; where there is a folder keep it as text and CSV.

    In the CSV an estimate takes three columns, NAME, NAME low and NAME high.
    """
    with kept_text(folder, f"{name}.txt"):
        print(text_of(title, rows) + more, flush=True)
    kept_csv(folder, f"{name}.csv", [_flat(row) for row in rows])


def _share(count: int, of: int) -> tuple[float, float, float]:
    """Return a share with its score interval, which keeps its width where all or none count.

    Wilson, J. Amer. Statist. Assoc. 22 (1927), 209-212, from memory.
    """
    share, z = count / of, 1.959964
    middle = (share + z**2 / (2 * of)) / (1 + z**2 / of)
    reach = z * np.sqrt(share * (1 - share) / of + z**2 / (4 * of**2)) / (1 + z**2 / of)
    return share, float(min(middle - reach, share)), float(max(middle + reach, share))


def _with_interval(value: float, drawn: np.ndarray) -> tuple[float, float, float]:
    low, high = np.nanquantile(drawn, [0.025, 0.975])
    return float(value), float(low), float(high)


def _shown(value: Value) -> str:
    if not isinstance(value, tuple):
        return str(value)
    if np.isnan(value[0]):
        return "-"
    return f"{value[0]:.3f} ({value[1]:.3f} to {value[2]:.3f})"


def _flat(row: Mapping[str, Value]) -> dict[str, str]:
    flat: dict[str, str] = {}
    for name, value in row.items():
        if isinstance(value, tuple):
            for end, number in zip(("", " low", " high"), value, strict=True):
                flat[name + end] = "" if np.isnan(number) else f"{number:.6g}"
        else:
            flat[name] = str(value)
    return flat
