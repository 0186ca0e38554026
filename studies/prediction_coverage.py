"""Do stated intervals of predicted readings hold? Fleets walked through run by run.

    python studies/prediction_coverage.py --workers 2 --folder coverage    # 100 fleets of each kind
    python studies/prediction_coverage.py --quick                          # 3 of each, two minutes

Fleets of ten rotors with five jobs each, those of `flights_to_limits` ("machine", which is not the
learner's model, and "model", which is), each with a type and a chart of its own, balanced by the
demo's technician with the chart. `adapt.compare` predicts every run from the runs before it alone,
all learned anew from these, and states how far from its prediction a reading may lie.

Columns. pairs: that the rotor had made before the run. readings: predicted, of all fleets. 50 %,
80 %, 95 %: share of readings inside the region that is to hold so many (vibration: a disc about the
predicted vector; track: by the heights of all blades), with its 95 % interval from resampling whole
fleets: readings of one fleet share what was learned of the type.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from asking import ended
from kept import kept_figure
from loop_history import history_of_jobs
from loop_tables import DRAWS, Value, put
from loop_workers import arguments, results_of, seeds_of
from loop_worlds import Setting, night_of
from matplotlib.figure import Figure

import adapt
from adapt.outcomes.scores import EXPERIENCE

KINDS = {"machine": "independent machine", "model": "the learner's own model"}
LEVELS = (0.5, 0.8, 0.95)
ALL = "all"
OF = ("vibration", "track")


@dataclass(frozen=True)
class Task:
    """One fleet."""

    kind: str
    seed: int


@dataclass(frozen=True)
class Count:
    """Readings of one fleet: how many, and how many were inside the region of each level."""

    kind: str
    seed: int
    of: str
    pairs: str
    readings: int
    inside: tuple[int, ...]


def one_fleet(task: Task) -> list[Count]:
    """Walk through a fleet and count, by what is predicted and the rotor's earlier pairs."""
    night = night_of(task.seed, Setting(task.kind))
    told = adapt.compare(
        night.rotor, history_of_jobs(night.rotor, night.others), chart=night.chart
    ).coverage
    told = told[told["level"].isin(LEVELS)].sort_values("level")
    return [
        Count(
            task.kind, task.seed, str(of), ALL if pd.isna(pairs) else str(pairs),
            int(mine["readings"].max()),
            tuple(np.rint(mine["share"] * mine["readings"]).astype(int).tolist()),
        )
        for (of, pairs), mine in told.groupby(["of", "experience"], dropna=False, observed=True)
    ]  # fmt: skip


def rows_of(counts: Sequence[Count]) -> list[dict[str, Value]]:
    """Return the table."""
    cells: dict[tuple[str, str, str], list[Count]] = {}
    for count in counts:
        cells.setdefault((count.kind, count.of, count.pairs), []).append(count)
    return [
        {"world": kind, "of": of, "pairs": pairs, "readings": sum(c.readings for c in some)}
        | {f"{100 * level:g} %": _share(some, k) for k, level in enumerate(LEVELS)}
        for kind, of, pairs in product(KINDS, OF, (*EXPERIENCE, ALL))
        if (some := cells.get((kind, of, pairs)))
    ]


def _share(counts: Sequence[Count], level: int) -> tuple[float, float, float]:
    """Return the share inside with its interval from resampled fleets."""
    inside = np.array([c.inside[level] for c in counts], dtype=float)
    number = np.array([c.readings for c in counts], dtype=float)
    drawn = np.random.default_rng(1).integers(len(counts), size=(DRAWS, len(counts)))
    shares = inside[drawn].sum(axis=1) / number[drawn].sum(axis=1)
    low, high = np.quantile(shares, [0.025, 0.975])
    return float(inside.sum() / number.sum()), float(low), float(high)


def picture(rows: Sequence[dict[str, Value]]) -> Figure:
    """Return shares by earlier pairs, a panel for each world and what is predicted."""
    panels = list(dict.fromkeys((row["world"], row["of"]) for row in rows))
    figure = Figure(figsize=(2.9 * len(panels), 3.6), layout="constrained")
    whole = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
    for axes, (kind, of) in zip(whole, panels, strict=True):
        mine = [r for r in rows if (r["world"], r["of"]) == (kind, of) and r["pairs"] != ALL]
        for level, marker in zip(LEVELS, "os^", strict=True):
            name = f"{100 * level:g} %"
            values = np.array([row[name] for row in mine], dtype=float)
            axes.axhline(level, color="0.6", linewidth=0.8)
            axes.errorbar(
                np.arange(len(mine)), values[:, 0], yerr=np.abs(values[:, 1:] - values[:, :1]).T,
                color="black", marker=marker, markerfacecolor="white", linestyle="none", capsize=2,
                label=f"{name} stated",
            )  # fmt: skip
        axes.set_xticks(range(len(mine)), [str(row["pairs"]) for row in mine], fontsize=8)
        axes.set_xlabel("earlier pairs on the rotor", fontsize=9)
        axes.set_title(f"{of}, {KINDS[str(kind)]}", fontsize=9)
    whole[0].set_ylabel("share of readings inside")
    handles, labels = whole[0].get_legend_handles_labels()
    place = "outside lower center"
    figure.legend(handles, labels, loc=place, ncols=3, fontsize=8, frameon=False)
    return figure


def main() -> None:
    """Print the table."""
    asked = arguments(__doc__, jobs=100, quick=3).parse_args()
    tasks = [Task(kind, seed) for kind in KINDS for seed in seeds_of(asked)]
    rows = rows_of(results_of(asked, one_fleet, tasks, "fleets"))
    title = f"Intervals of predicted readings, {asked.jobs} fleets of each kind"
    put(asked.folder, "prediction_coverage", title, rows)
    kept_figure(asked.folder, "prediction_coverage", picture(rows))


if __name__ == "__main__":
    ended(main)
