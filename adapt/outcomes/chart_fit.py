"""The chart's gain and turn against reality, by channel and adjuster, and how many rotors agree."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import t

from adapt.chart import Chart
from adapt.learning.rows.pairs import MOVED, Block, Rows, track_rows, vibration_rows
from adapt.learning.rows.runs import Runs
from adapt.learning.suspects.screening import Screened
from adapt.outcomes.resampling import LEAST_JOBS, MOST_SPREAD, job_draws, spread_of
from adapt.rotor import Rotor

__all__ = ["chart_fit"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

NOT_TOLD = 1e-9  # share of the largest eigenvalue under which moves tell nothing of a direction
TELLS = 2.0  # sds of a rotor's own factor that the chart's error must be for it to have a say

_FIT = [
    "sensor", "regime", "adjuster", "pairs", "jobs", "gain", "gain_low", "gain_high",
    "rotation_deg", "rotation_low", "rotation_high", "rotors", "rotors_agree",
]  # fmt: skip


def chart_fit(rotor: Rotor, known: Screened | None, chart: Chart | None) -> pd.DataFrame:
    """Return measured change over the chart's predicted change, by channel and adjuster.

    One complex factor for each adjuster of a channel (fitted together), and one for all moves
    together (adjuster None), by generalised least squares through the shared-run covariance with
    the noise that the whole log shows; NaN for adjusters that only moved together. Intervals: 95 %
    for all rows of the table together (Bonferroni), Student's t with one degree of freedom less
    than jobs, in log gain and in rotation; their sds from resampling whole jobs (Efron and
    Tibshirani, An Introduction to the Bootstrap, 1993, ch. 6, from memory), never less than the
    noise alone gives; none with fewer than 5 jobs, and none of a rotation that may be any. Of a
    negative gain (track alone: blades go the other way) in the gain itself, so that it tells
    whether the sign is sure. Runs after a moved reference or sensor are left out: their phases are
    in another frame than the chart's.

    known: what was learned of the whole log; None = it has no runs. pairs: used, with an effect of
    the adjuster (of any) by the chart. rotors: those whose own moves
    can tell the chart's factor from this one, 2 sds of what they show by themselves or more;
    rotors_agree: those of them that are nearer to this one.
    """
    if chart is None or known is None:
        return pd.DataFrame(columns=_FIT)
    runs, noise = known.runs, known.coefficients.noise
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
        if gain < 0:
            low, high = gain * (1.0 + spread), gain * (1.0 - spread)
        else:
            low, high = gain * np.exp(-spread), gain * np.exp(spread)
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
                "gain_low": low,
                "gain_high": high,
                "rotation_deg": turn,
                "rotation_low": turn - reach,
                "rotation_high": turn + reach,
                "rotors": row["rotors"],
                "rotors_agree": row["rotors_agree"],
            }
        )
    return pd.DataFrame(table, columns=_FIT)


def _fits(
    runs: Runs, rows: Rows, chart: Array, run_var: Real, reading_var: Real, usable: Any
) -> list[tuple[int, dict[str, Any]]]:
    """Return (channel, fit) for each adjuster that the chart has and the log moved, and for all."""
    variance = run_var + reading_var * rows.lam
    job_of = np.full(rows.live.shape, -1)
    rotor_of = np.zeros(len(runs.jobs), dtype=np.int64)
    rotor_of[runs.job] = runs.rotor
    alone = np.zeros(chart.shape, dtype=np.int64)
    together = np.zeros(rows.d.shape[1], dtype=np.int64)
    for block in rows.blocks:
        if usable[block.ends[0], block.channels].all():
            span = slice(block.first, block.first + len(block.ends) * block.parts)
            job_of[span, block.channels] = runs.job[block.ends[0]]
            moved = _moved(rows, block)[:, None, :] & _tells(chart[block.channels])
            alone[block.channels] += moved.sum(axis=0)
            together[block.channels] += moved.any(axis=2).sum(axis=0)
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
            weighted = z * weight[:, None]
            factors, log_sd, turn_sd, counts = _resampled(weighted, d, job)
            can_tell, agree = _rotors(weighted, d, rotor_of[job], factors)
            for k, factor in enumerate(factors):
                adjuster = None if chosen is None else int(adjusters[k])
                found.append(
                    (
                        j,
                        {
                            "adjuster": adjuster,
                            "pairs": int(together[j] if adjuster is None else alone[j, adjuster]),
                            "jobs": int(counts[k]),
                            "factor": factor,
                            "log_gain_sd": log_sd[k],
                            "rotation_sd": turn_sd[k],
                            "rotors": int(can_tell[k]),
                            "rotors_agree": int(agree[k]),
                        },
                    )
                )
    return found


def _moved(rows: Rows, block: Block) -> npt.NDArray[np.bool_]:
    """Return in which pairs of a block each adjuster was moved, (pair, adjuster)."""
    pairs = len(block.ends)
    span = slice(block.first, block.first + pairs * block.parts)
    turned = rows.x[span, block.channels[0]].reshape(pairs, -1)
    change = np.linalg.solve(block.turn.T, turned).reshape(pairs, block.parts, -1)
    return np.asarray((np.abs(change) > MOVED).any(axis=1))


def _tells(chart: Array) -> npt.NDArray[np.bool_]:
    """Return whether the chart gives an effect, same shape."""
    return np.asarray(np.abs(np.nan_to_num(chart)) > 0)


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
    share = job_draws(len(jobs))
    grams = np.einsum("sj,jab->sab", share, gram) + little
    drawn = np.linalg.solve(grams, (share @ right)[:, :, None])[:, :, 0]
    enough = sure & (told >= LEAST_JOBS) & (np.abs(factors) > 0)
    factors = np.where(sure, factors, np.nan)
    base = np.where(enough, factors, 1.0)
    ratio = np.where(enough, drawn / base, 1.0)
    with np.errstate(divide="ignore"):
        log_gain = np.log(np.abs(ratio))
    least = noise / np.abs(base)
    log_sd = np.where(enough, np.maximum(spread_of(log_gain), least), np.nan)
    turn = spread_of(np.degrees(np.angle(ratio)))
    turn_sd = np.where(enough, np.maximum(turn, np.degrees(least)), np.nan)
    return factors / size, log_sd, turn_sd, told


def _rotors(z: Array, d: Array, rotor: Array, factors: Array) -> tuple[Array, Array]:
    """Return how many rotors can tell each factor from 1, and how many are nearer to it, (factor,).

    z, d: rows of unit variance; rotor: (row,). A rotor's own factor of one adjuster is fitted with
    the others' as they are.
    """
    rotors, of = np.unique(rotor, return_inverse=True)
    known = np.nan_to_num(factors)
    can_tell, agree = (np.zeros(len(factors), dtype=np.int64) for _ in range(2))
    for k, factor in enumerate(factors):
        if np.isnan(factor):
            continue
        others = np.delete(np.arange(len(factors)), k)
        rest = d - z[:, others] @ known[others]
        weight = np.bincount(of, np.abs(z[:, k]) ** 2, minlength=len(rotors))
        product = z[:, k].conj() * rest
        right = np.bincount(of, product.real, minlength=len(rotors)) + 1j * np.bincount(
            of, product.imag, minlength=len(rotors)
        )
        tells = np.abs(factor - 1.0) * np.sqrt(weight) > TELLS
        own = right[tells] / weight[tells]
        can_tell[k] = tells.sum()
        agree[k] = (np.abs(own - factor) < np.abs(own - 1.0)).sum()
    return can_tell, agree
