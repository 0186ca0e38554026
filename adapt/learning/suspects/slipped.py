"""Pairs that look wrong one by one, and together as if the phase reference had been turned.

A reference that slipped, or was fitted again without an entry in the log, turns what every move
does by one angle: pair by pair that looks like moves on other blades, and is held back as such.
Pairs of a job that agree on the angle are told of together, so that somebody looks at the reference
before the next correction. Nothing is concluded from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.coefficients import Coefficients
from adapt.learning.fitting.correlation import speaking_share
from adapt.learning.rows.runs import Runs, orders, runs_of, vibration_moves
from adapt.log import History
from adapt.rotor import Rotor

__all__ = ["Slip", "slips"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]

LEAST_PAIRS = 2
LEAST_TURN_DEG = 15.0
CLEARER = 8.0  # natural log of how much likelier than as entered
FITS = 2.5  # mean squared miss of what was turned, over what is expected, at most
_GRID_DEG = 0.5


@dataclass(frozen=True)
class Slip:
    """Pairs of one job that agree on a turn.

    rotor: its serial. after_run: from which the first of them begins; pairs: how many. angle_deg:
    of shaft, positive = more lag; sd_deg: from noise and what is not known of the coefficients.
    """

    rotor: str
    job: str
    after_run: str
    pairs: int
    angle_deg: float
    sd_deg: float


def slips(
    rotor: Rotor, coefficients: Coefficients, history: History, serial: str | None = None
) -> list[Slip]:
    """Return the jobs whose pairs held back as suspect agree on a turn, rotor by rotor.

    serial: of one rotor alone; None = all. Jobs read before a rotor's last frame event are not
    looked at: their turn is sought elsewhere.
    """
    if not coefficients.withheld:
        return []
    runs = runs_of(rotor, history)
    held = np.array([pair in coefficients.withheld for pair in runs.pair], dtype=bool)
    held &= (runs.epoch == runs.epoch_now[runs.rotor]).all(axis=1)
    if serial is not None:
        held &= np.array([name == serial for name in runs.serials], dtype=bool)[runs.rotor]
    found = []
    for job in dict.fromkeys(runs.job[held].tolist()):
        ends = np.flatnonzero(held & (runs.job == job))
        if len(ends) >= LEAST_PAIRS:
            slip = _slip(rotor, coefficients, runs, ends)
            if slip is not None:
                found.append(slip)
    return found


def _slip(rotor: Rotor, coefficients: Coefficients, runs: Runs, ends: Array) -> Slip | None:
    """Return the turn that the pairs ending at these runs agree on, or None."""
    serial = runs.serials[int(runs.rotor[ends[0]])]
    posterior, noise = coefficients.of(serial), coefficients.noise
    listed, order_of = orders(rotor)
    order = np.array(listed)[order_of]
    x = vibration_moves(rotor, runs)[order_of][:, ends].transpose(1, 0, 2)  # (pair, channel, a)
    change = runs.readings[ends] - runs.readings[ends - 1]
    known = ~np.isnan(posterior.mean)
    lacking = ((x != 0) & ~known).any(axis=2)
    foretold = np.einsum("pja,ja->pj", x, np.where(known, posterior.mean, 0.0))
    cov = np.where(known[:, :, None] & known[:, None, :], posterior.cov, 0.0)
    var = np.einsum("pja,jab,pjb->pj", x, cov, x.conj()).real
    scatter = noise.reading_var * (1.0 / runs.repeats[ends] + 1.0 / runs.repeats[ends - 1])
    var = var + scatter + noise.run_var_after(runs.moved[ends])
    told = ~np.isnan(change) & ~lacking & (np.abs(foretold) ** 2 > var)
    if not told.any(axis=1).all():
        return None
    share = 1.0 if noise.correlation is None else speaking_share(noise.correlation)
    turns = np.deg2rad(np.arange(-180.0, 180.0, _GRID_DEG))
    d, p, v = change[told], foretold[told], var[told]
    n = np.broadcast_to(order, told.shape)[told]
    miss = np.array([_miss(d, p * np.exp(1j * n * turn), v) for turn in turns])
    best = int(miss.argmin())
    # What is not known of the coefficients is common to the pairs: the misses of one pair count.
    won = share * (_miss(d, p, v) - miss[best]) / len(ends)
    angle = float(np.rad2deg(turns[best]))
    if abs(angle) < LEAST_TURN_DEG or won < CLEARER or miss[best] / len(d) > FITS:
        return None
    for row in range(len(ends)):  # each pair by itself agrees
        at = told[row]
        turned = foretold[row, at] * np.exp(1j * order[at] * turns[best])
        if _miss(change[row, at], turned, var[row, at]) > _miss(
            change[row, at], foretold[row, at], var[row, at]
        ):
            return None
    bend = share * float((2.0 * n**2 * np.abs(p) ** 2 / v).sum()) / len(ends)
    return Slip(
        rotor=serial,
        job=runs.jobs[int(runs.job[ends[0]])],
        after_run=runs.names[int(ends[0]) - 1],
        pairs=len(ends),
        angle_deg=angle,
        sd_deg=float(np.rad2deg(1.0 / np.sqrt(bend))),
    )


def _miss(change: Array, foretold: Array, var: Real) -> float:
    return float((np.abs(change - foretold) ** 2 / var).sum())
