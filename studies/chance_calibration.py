"""Do stated chances hold? Simulated jobs with plans of all qualities, by what was stated.

    python studies/chance_calibration.py              # 2,000 jobs of each kind, under an hour
    python studies/chance_calibration.py --quick      # a tenth of them, some five minutes

Four kinds of job (`calibration_jobs` draws them), one plan each. On the learner's own model: fleets
of 16 rotors with 0, 1, 3 or 10 earlier pairs each, and a job of each rotor tonight. From the chart
alone: every job on a type of its own. With levels that have causes: as on the model, but tonight's
readings are what true coefficients make of blades out of adjustment. On the independent machine,
which is not the learner's model.

Under the null hypothesis a job with a stated chance p comes inside with probability p. The band
holds the shares of all bins together in 95 % of cases then (the largest standardised deviation,
simulated). Jobs of one fleet share what was learned of the type: how much wider their sums scatter
than those of independent jobs is printed ("fleets' sums"); well above 1, the band is too narrow.
z: of all jobs together. Slope: of a logistic regression of what happened on the log odds stated,
below 1 when chances are too bold (statsmodels). Brier score = reliability - resolution +
uncertainty + rest within bins (Murphy 1973, from memory). Single readings of a job depend on each
other: their intervals come from resampling whole fleets.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator

import numpy as np
import statsmodels.api as sm
from asking import add_folder, add_quick, ended, options_of, whole
from calibration_jobs import PAIRS, ROTORS, Trial, on_the_chart, on_the_machine, on_the_model
from kept import kept_csv, kept_figure, kept_text
from matplotlib.figure import Figure

from adapt.outcomes.calibration import BINS, band, bin_of, brier

KINDS = {
    "model": "the learner's own model",
    "chart": "the learner's own model, chart alone",
    "caused": "the model, levels with causes",
    "machine": "the independent machine",
}


def table(title: str, stated: np.ndarray, inside: np.ndarray, fleet: np.ndarray) -> None:
    """Print shares by stated chance against the band, and what one number can say."""
    at = bin_of(stated)
    bins, low, high = band(stated, at)
    print(f"{title}, {len(stated)} jobs")
    print("       stated   jobs   mean  inside  band")
    outside = []
    for b, lo, hi in zip(bins, low, high, strict=True):
        share = inside[at == b].mean()
        held = lo - 1e-12 <= share <= hi + 1e-12
        outside += [] if held else [f"{BINS[b]:.2f}-{BINS[b + 1]:.2f}"]
        print(
            f"  {BINS[b]:6.2f}-{BINS[b + 1]:.2f} {(at == b).sum():6d} "
            f"{stated[at == b].mean():6.3f} {share:7.3f}  {lo:.3f} to {hi:.3f}"
            f"{'' if held else '  outside'}"
        )
    z = (inside - stated).sum() / np.sqrt((stated * (1 - stated)).sum())
    print(f"  all: stated {stated.mean():.3f}, inside {inside.mean():.3f}, z {z:+.1f}; ", end="")
    print(f"fleets' sums {wider(stated, inside, fleet):.2f} times as wide as of independent jobs")
    odds = np.log(np.clip(stated, 1e-4, 1.0) / np.clip(1 - stated, 1e-4, 1.0))
    fit = sm.GLM(inside.astype(float), sm.add_constant(odds), family=sm.families.Binomial()).fit()
    print(f"  slope {fit.params[1]:.2f} ± {fit.bse[1]:.2f}, at even odds {fit.params[0]:+.2f} ± "
          f"{fit.bse[0]:.2f}")  # fmt: skip
    print(f"  {scored(stated, inside)}")
    print(f"  {'all bins inside the band' if not outside else 'outside: ' + ', '.join(outside)}\n")


def wider(stated: np.ndarray, inside: np.ndarray, fleet: np.ndarray) -> float:
    """Return how much wider fleets' sums of inside - stated scatter than of independent jobs."""
    sums = np.bincount(fleet, weights=inside - stated)
    return float(np.sqrt((sums**2).sum() / (stated * (1 - stated)).sum()))


def scored(stated: np.ndarray, inside: np.ndarray) -> str:
    """Say the Brier score, its parts by bin, and what it would be on average were all right."""
    score = brier(stated, inside)
    return (
        f"Brier {score.score:.4f} (if right {score.if_right:.4f}) = reliability "
        f"{score.reliability:.4f} - resolution {score.resolution:.4f} + uncertainty "
        f"{score.uncertainty:.4f} + rest {score.rest:+.4f}"
    )


def by_pairs(trials: list[Trial]) -> None:
    """Print stated (joint) and observed by the rotor's earlier pairs."""
    print("  earlier pairs   jobs  stated  inside     z")
    for count in PAIRS:
        some = [t for t in trials if t.pairs == count]
        stated = np.array([t.joint for t in some])
        share = np.mean([t.inside for t in some])
        sd = np.sqrt((stated * (1 - stated)).sum()) / len(some)
        z = (share - stated.mean()) / sd
        print(f"{count:15d} {len(some):6d} {stated.mean():7.3f} {share:7.3f} {z:+5.1f}")
    print()


def single(trials: list[Trial], of_track: bool) -> None:
    """Print shares of single readings by stated chance, with intervals from resampled fleets."""
    rng = np.random.default_rng(2)
    fleets = np.unique([t.fleet for t in trials])
    rows = [(t.fleet, p, ok) for t in trials for p, ok, track in t.readings if track == of_track]
    fleet, stated, inside = (np.array(x) for x in zip(*rows, strict=True))
    at, place = bin_of(stated), np.searchsorted(fleets, fleet)
    gap = np.zeros((len(fleets), len(BINS)))
    number = np.zeros(gap.shape)
    np.add.at(gap, (place, at), inside - stated)
    np.add.at(number, (place, at), 1.0)
    draws = [rng.integers(len(fleets), size=len(fleets)) for _ in range(1000)]
    drawn = np.array([gap[d].sum(axis=0) / np.maximum(number[d].sum(axis=0), 1.0) for d in draws])
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    name = "track spreads" if of_track else "amplitudes"
    print(f"  {name:13s}       n   mean   inside - stated, 95 % by resampled fleets")
    for b in np.unique(at):
        print(
            f"{BINS[b]:10.2f}-{BINS[b + 1]:.2f} {(at == b).sum():7d} {stated[at == b].mean():6.3f}"
            f"  {gap[:, b].sum() / (at == b).sum():+.3f}, {low[b]:+.3f} to {high[b]:+.3f}"
        )
    print()


def main() -> None:
    """Print the tables."""
    options = options_of(__doc__)
    options.add_argument("--jobs", type=whole(1), default=2000, help="of each kind")
    add_quick(options, "200 jobs of each kind")
    options.add_argument("--only", choices=list(KINDS))
    add_folder(options)
    asked = options.parse_args()
    kinds = [asked.only] if asked.only else list(KINDS)
    with kept_text(asked.folder, "chance_calibration.txt"):
        drawn = {kind: told(kind, 200 if asked.quick else asked.jobs) for kind in kinds}
    rows = [
        {"kind": kind, "pairs": t.pairs, "joint": t.joint, "product": t.chance, "inside": t.inside}
        for kind, trials in drawn.items()
        for t in trials
    ]
    kept_csv(asked.folder, "chance_calibration.csv", rows)
    kept_figure(asked.folder, "chance_calibration", picture(drawn))


def told(kind: str, jobs: int) -> list[Trial]:
    """Draw the jobs of a kind, print their tables, and return them."""
    fleets = -(-jobs // ROTORS)
    draw: dict[str, Callable[[], Iterator[Trial]]] = {
        "model": lambda: on_the_model(fleets),
        "chart": lambda: on_the_chart(jobs),
        "caused": lambda: on_the_model(fleets, caused=True),
        "machine": lambda: on_the_machine(fleets),
    }
    name, begun, trials = KINDS[kind], time.perf_counter(), []
    for t in draw[kind]():
        trials.append(t)
        if len(trials) % 100 == 0:
            print(f"{kind}: {len(trials)} jobs, {time.perf_counter() - begun:.0f} s",
                  file=sys.stderr, flush=True)  # fmt: skip
    inside = np.array([t.inside for t in trials])
    fleet = np.array([t.fleet for t in trials])
    table(f"Joint chance, {name}", np.array([t.joint for t in trials]), inside, fleet)
    table(f"Product chance, {name}", np.array([t.chance for t in trials]), inside, fleet)
    if kind != "chart":
        by_pairs(trials)
    single(trials, of_track=False)
    single(trials, of_track=True)
    return trials


def picture(drawn: dict[str, list[Trial]]) -> Figure:
    """Return what came inside by the joint chance stated, with the band, one panel a kind."""
    figure = Figure(figsize=(3.6 * len(drawn), 4.0), layout="constrained")
    for number, (kind, trials) in enumerate(drawn.items(), start=1):
        stated = np.array([t.joint for t in trials])
        inside = np.array([t.inside for t in trials])
        at = bin_of(stated)
        bins, low, high = band(stated, at)
        mean, share = (np.array([x[at == b].mean() for b in bins]) for x in (stated, inside))
        axes = figure.add_subplot(1, len(drawn), number)
        axes.fill_between(mean, low, high, color="0.87", label="95 % band of all")
        axes.plot([0, 1], [0, 1], color="0.5", linewidth=0.8)
        axes.plot(mean, share, "o", color="black", markersize=5, label="jobs")
        axes.set_title(KINDS[kind], fontsize=9)
        axes.set_aspect("equal")
        axes.set_xlabel("joint chance stated")
        if number == 1:
            axes.set_ylabel("share that came inside")
            axes.legend(frameon=False, loc="upper left", fontsize=8)
    return figure


if __name__ == "__main__":
    ended(main)
