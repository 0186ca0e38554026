"""What errors amount to: rms, skill and coverage, and the chart's gain and turn against reality."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm, t

from adapt.chart import Chart
from adapt.learning.rows.pairs import Rows, track_rows, vibration_rows
from adapt.learning.rows.runs import Runs
from adapt.learning.suspects.screening import Screened, fit_screened
from adapt.rotor import Rotor

__all__ = ["chart_fit", "summary"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

RESAMPLES = 1000
LEAST_JOBS = 5  # fewer jobs with a move give no interval
MOST_SPREAD = 7.0  # of log gain: an interval of a factor of a thousand either way says nothing
NOT_TOLD = 1e-9  # share of the largest eigenvalue under which moves tell nothing of a direction
SEED = 20260101

_SUMMARY = [
    "method", "sensor", "regime", "runs", "rms_error", "skill", "skill_against_chart", "coverage",
]  # fmt: skip
_FIT = [
    "sensor", "regime", "adjuster", "pairs", "jobs", "gain", "gain_low", "gain_high",
    "rotation_deg", "rotation_low", "rotation_high",
]  # fmt: skip


def summary(predictions: pd.DataFrame, rotor: Rotor) -> pd.DataFrame:
    """Return rms error, skill and coverage of each method by channel, and by sensor over regimes.

    Skill = 1 - (rms / rms of no change)^2 of the vector errors; against the chart likewise.
    """
    rows = []
    sensors: list[str | None] = [s.name for s in rotor.sensors]
    if rotor.has_track:
        sensors.append(None)
    for sensor in sensors:
        at = predictions["sensor"].isna() if sensor is None else predictions["sensor"] == sensor
        of_sensor = predictions[at]
        for regime in (None, *rotor.regime_names):
            part = of_sensor if regime is None else of_sensor[of_sensor["regime"] == regime]
            if part.empty:
                continue
            rms = (part["error"] ** 2).groupby(part["method"]).mean() ** 0.5
            for method in ("no change", "chart", "learned"):
                if method not in rms:
                    continue
                inside = part.loc[part["method"] == method, "inside_95"].dropna()
                rows.append(
                    {
                        "method": method,
                        "sensor": sensor,
                        "regime": regime,
                        "runs": int((part["method"] == method).sum()),
                        "rms_error": float(rms[method]),
                        "skill": _skill(rms[method], rms["no change"]),
                        "skill_against_chart": _skill(rms[method], rms.get("chart", np.nan)),
                        "coverage": float(inside.astype(float).mean()) if len(inside) else np.nan,
                    }
                )
    return pd.DataFrame(rows, columns=_SUMMARY)


def _skill(rms: float, against: float) -> float:
    return 1.0 - (rms / against) ** 2 if against > 0 else np.nan


def chart_fit(
    rotor: Rotor, runs: Runs, chart: Chart | None, last: Screened | None = None
) -> pd.DataFrame:
    """Return measured change over the chart's predicted change, by channel and adjuster.

    One complex factor for each adjuster of a channel (fitted together), and one for all moves
    together (adjuster None), by generalised least squares through the shared-run covariance with
    the noise that the whole log shows; NaN for adjusters that only moved together. Intervals: 95 %
    for all rows of the table together (Bonferroni), Student's t with one degree of freedom less
    than jobs, in log gain and in rotation; their sds from resampling whole jobs (Efron and
    Tibshirani, An Introduction to the Bootstrap, 1993, ch. 6, from memory), never less than the
    noise alone gives; none with fewer than 5 jobs, and none of a rotation that may be any. Runs
    after a moved reference or sensor are left out: their phases are in another frame than the
    chart's; so are pairs held back as suspect entries. last: what was learned of most of these
    runs, to start from.
    """
    if chart is None or not len(runs):
        return pd.DataFrame(columns=_FIT)
    held = last.coefficients.withheld if last else frozenset()
    screened = fit_screened(rotor, runs, chart, held=held, start=last.fitted if last else None)
    runs, noise = screened.runs, screened.coefficients.noise
    unit = np.repeat(runs.rotor[:, None], len(rotor.sensors), axis=1)
    regimes = len(rotor.regimes)
    first_frame = np.repeat(runs.epoch == 0, regimes, axis=1)
    of_vibration = _fits(
        runs,
        vibration_rows(
            rotor,
            runs,
            runs.starts,
            unit,
            len(runs.serials),
            noise.run_var_after(runs.moved) / noise.run_var - 1.0,
        ),
        chart.mean,
        noise.run_var,
        noise.reading_var,
        first_frame,
    )
    rows = [
        {"sensor": rotor.channels[j][0], "regime": rotor.channels[j][1], **row}
        for j, row in of_vibration
    ]
    if rotor.has_track and len(rotor.blades) > 1:
        of_track = _fits(
            runs,
            track_rows(
                rotor,
                runs,
                runs.starts,
                noise.track_run_var_after(runs.moved) / noise.track_run_var - 1.0,
            ),
            chart.track_mean,
            noise.track_run_var,
            noise.track_reading_var,
            np.ones((len(runs), regimes), dtype=bool),
        )
        rows += [
            {"sensor": None, "regime": rotor.regime_names[g], **row, "rotation_sd": np.nan}
            for g, row in of_track
        ]
    table = []
    for row in rows:
        wide = t.ppf(1.0 - 0.025 / len(rows), max(row["jobs"] - 1, 1))
        factor, spread = complex(row["factor"]), row["log_gain_sd"] * wide
        spread = spread if spread < MOST_SPREAD else np.nan
        turn = np.nan if row["sensor"] is None else float(np.degrees(np.angle(factor)))
        reach = row["rotation_sd"] * wide
        reach = reach if reach < 180.0 else np.nan
        gain = factor.real if row["sensor"] is None else abs(factor)
        table.append(
            {
                "sensor": row["sensor"],
                "regime": row["regime"],
                "adjuster": None
                if row["adjuster"] is None
                else rotor.adjuster_names[row["adjuster"]],
                "pairs": row["pairs"],
                "jobs": row["jobs"],
                "gain": gain,
                "gain_low": gain * np.exp(-spread) if gain > 0 else np.nan,
                "gain_high": gain * np.exp(spread) if gain > 0 else np.nan,
                "rotation_deg": turn,
                "rotation_low": turn - reach,
                "rotation_high": turn + reach,
            }
        )
    return pd.DataFrame(table, columns=_FIT)


def _fits(
    runs: Runs, rows: Rows, chart: Array, run_var: Real, reading_var: Real, usable: Any
) -> list[tuple[int, dict[str, Any]]]:
    """Return (channel, fit) for each adjuster that the chart has and the log moved, and for all."""
    variance = run_var + reading_var * rows.lam
    job_of = np.full(rows.live.shape, -1)
    for block in rows.blocks:
        if usable[block.ends[0], block.channels].all():
            span = slice(block.first, block.first + len(block.ends) * block.parts)
            job_of[span, block.channels] = runs.job[block.ends[0]]
    found = []
    for j in range(rows.d.shape[1]):
        live = rows.live[:, j] & (job_of[:, j] >= 0)
        if not live.any():
            continue
        weight = 1.0 / np.sqrt(variance[live, j])
        effect = rows.x[live, j] * np.nan_to_num(chart[j])
        has = (np.abs(effect) > 0).any(axis=0)
        d, job = rows.d[live, j] * weight, job_of[live, j]
        adjusters = np.flatnonzero(has)
        for chosen in (None, adjusters):
            z = effect.sum(axis=1, keepdims=True) if chosen is None else effect[:, adjusters]
            if not z.shape[1] or not np.abs(z).any():
                continue
            factors, log_sd, turn_sd, counts = _resampled(z * weight[:, None], d, job)
            for k, factor in enumerate(factors):
                adjuster = None if chosen is None else int(adjusters[k])
                pairs = rows.moved[:, j]
                total = pairs.sum(axis=0)
                found.append(
                    (
                        j,
                        {
                            "adjuster": adjuster,
                            "pairs": int(total.max() if adjuster is None else total[adjuster]),
                            "jobs": int(counts[k]),
                            "factor": factor,
                            "log_gain_sd": log_sd[k],
                            "rotation_sd": turn_sd[k],
                        },
                    )
                )
    return found


def _resampled(z: Array, d: Array, job: Array) -> tuple[Array, Real, Real, Array]:
    """Return factors of d = z @ factor, sds of log gain and rotation [deg], jobs with a move.

    z, d: rows of unit variance. A factor that the moves do not determine (adjusters that were only
    moved together) is NaN. An sd is the larger of that over resampled jobs and that of the noise:
    few jobs resample to less than what they do not know.
    """
    jobs, of = np.unique(job, return_inverse=True)
    columns = z.shape[1]
    gram = np.zeros((len(jobs), columns, columns), dtype=z.dtype)
    right = np.zeros((len(jobs), columns), dtype=z.dtype)
    np.add.at(gram, of, z.conj()[:, :, None] * z[:, None, :])
    np.add.at(right, of, z.conj() * d[:, None])
    told = (np.einsum("jaa->ja", gram).real > 0).sum(axis=0)
    size = np.sqrt(np.diag(gram.sum(axis=0)).real)
    gram, right = gram / np.outer(size, size), right / size
    whole = gram.sum(axis=0)
    values, vectors = np.linalg.eigh(whole)
    null = values < NOT_TOLD * values.max()
    sure = (np.abs(vectors[:, null]) ** 2).sum(axis=1) < NOT_TOLD
    little = NOT_TOLD * np.eye(columns)
    factors = np.linalg.solve(whole + little, right.sum(axis=0))
    noise = np.sqrt(np.diag(np.linalg.inv(whole + little)).real)
    noise = noise * (np.sqrt(0.5) if np.iscomplexobj(z) else 1.0)
    rng = np.random.default_rng(SEED)
    share = rng.multinomial(len(jobs), np.full(len(jobs), 1.0 / len(jobs)), RESAMPLES)
    grams = np.einsum("sj,jab->sab", share, gram) + little
    drawn = np.linalg.solve(grams, (share @ right)[:, :, None])[:, :, 0]
    enough = sure & (told >= LEAST_JOBS) & (np.abs(factors) > 0)
    factors = np.where(sure, factors, np.nan)
    base = np.where(enough, factors, 1.0)
    ratio = np.where(enough, drawn / base, 1.0)
    with np.errstate(divide="ignore"):
        log_gain = np.log(np.abs(ratio))
    least = noise / np.abs(base)
    log_sd = np.where(enough, np.maximum(_spread(log_gain), least), np.nan)
    turn = _spread(np.degrees(np.angle(ratio)))
    turn_sd = np.where(enough, np.maximum(turn, np.degrees(least)), np.nan)
    return factors / size, log_sd, turn_sd, told


def _spread(values: Real) -> Real:
    """Sds that a few degenerate resamples do not carry away: from the central 90 %."""
    low, high = np.nanpercentile(np.where(np.isfinite(values), values, np.nan), [5, 95], axis=0)
    return np.asarray((high - low) / (2.0 * norm.ppf(0.95)))
