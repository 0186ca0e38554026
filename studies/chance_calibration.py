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

import argparse
import sys
import time
from collections.abc import Callable, Iterator

import numpy as np
import statsmodels.api as sm
from calibration_jobs import PAIRS, ROTORS, Trial, on_the_chart, on_the_machine, on_the_model

BINS = np.array([0.0, 0.02, 0.1, 0.25, 0.4, 0.55, 0.7, 0.8, 0.9, 0.97, 1.0])
DRAWS = 4000


def bins_of(stated: np.ndarray) -> np.ndarray:
    """Return the number of the bin of each stated chance."""
    return np.clip(np.digitize(stated, BINS) - 1, 0, len(BINS) - 2)


def band(stated: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return bins, and low and high of a simultaneous 95 % band of their shares.

    at: (job,) the bin of each. The quantile is that of the largest standardised deviation.
    """
    rng = np.random.default_rng(1)
    bins = np.unique(at)
    mean = np.array([stated[at == b].mean() for b in bins])
    sd = np.array([np.sqrt((stated[at == b] * (1 - stated[at == b])).sum()) for b in bins])
    sd = np.maximum(sd / np.array([(at == b).sum() for b in bins]), 1e-9)
    shares = np.empty((DRAWS, len(bins)))
    for draw in range(DRAWS):
        came = rng.random(len(stated)) < stated
        shares[draw] = [came[at == b].mean() for b in bins]
    reach = np.quantile((np.abs(shares - mean) / sd).max(axis=1), 0.95)
    return bins, np.maximum(mean - reach * sd, 0.0), np.minimum(mean + reach * sd, 1.0)


def table(title: str, stated: np.ndarray, inside: np.ndarray, fleet: np.ndarray) -> None:
    """Print shares by stated chance against the band, and what one number can say."""
    at = bins_of(stated)
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
    print(f"  {brier(stated, inside, at)}")
    print(f"  {'all bins inside the band' if not outside else 'outside: ' + ', '.join(outside)}\n")


def wider(stated: np.ndarray, inside: np.ndarray, fleet: np.ndarray) -> float:
    """Return how much wider fleets' sums of inside - stated scatter than of independent jobs."""
    sums = np.bincount(fleet, weights=inside - stated)
    return float(np.sqrt((sums**2).sum() / (stated * (1 - stated)).sum()))


def brier(stated: np.ndarray, inside: np.ndarray, at: np.ndarray) -> str:
    """Say the Brier score, its parts by bin, and what it would be on average were all right."""
    score, overall = float(((stated - inside) ** 2).mean()), inside.mean()
    reliability = resolution = 0.0
    for b in np.unique(at):
        here = at == b
        share = inside[here].mean()
        reliability += here.mean() * (stated[here].mean() - share) ** 2
        resolution += here.mean() * (share - overall) ** 2
    uncertainty = overall * (1 - overall)
    rest = score - (reliability - resolution + uncertainty)
    return (
        f"Brier {score:.4f} (if right {(stated * (1 - stated)).mean():.4f}) = reliability "
        f"{reliability:.4f} - resolution {resolution:.4f} + uncertainty {uncertainty:.4f} + rest "
        f"{rest:+.4f}"
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
    at, place = bins_of(stated), np.searchsorted(fleets, fleet)
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
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--jobs", type=int, default=2000, help="of each kind")
    options.add_argument("--quick", action="store_true", help="200 jobs of each kind")
    options.add_argument("--only", choices=["model", "chart", "caused", "machine"])
    asked = options.parse_args()
    jobs = 200 if asked.quick else asked.jobs
    fleets = -(-jobs // ROTORS)
    kinds: dict[str, tuple[str, Callable[[], Iterator[Trial]]]] = {
        "model": ("the learner's own model", lambda: on_the_model(fleets)),
        "chart": ("the learner's own model, chart alone", lambda: on_the_chart(jobs)),
        "caused": ("the model, levels with causes", lambda: on_the_model(fleets, caused=True)),
        "machine": ("the independent machine", lambda: on_the_machine(fleets)),
    }
    for kind, (name, trials_of) in kinds.items():
        if asked.only not in (None, kind):
            continue
        begun, trials = time.perf_counter(), []
        for t in trials_of():
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


if __name__ == "__main__":
    main()
