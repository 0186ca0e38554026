"""Pairs that were held back as suspect entries, looked at once more: does one change explain them?

When a rotor begins to answer otherwise, every pair since then looks wrongly entered. Held-back
pairs are put back if, with the moves since some run multiplied by one factor, they fit like any
other pair; pairs that do not fit stay out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from adapt.learning.health.cases import Cases
from adapt.learning.health.evidence import misfit_of, unmixing
from adapt.learning.health.factor import fitted_factors
from adapt.learning.health.parts import candidates, concerned_by, moved_runs
from adapt.learning.health.residuals import walk
from adapt.learning.health.rows import whiten
from adapt.learning.health.scan import Search

__all__ = ["LEAST_HELD", "put_back"]

Real = npt.NDArray[np.float64]
Truth = npt.NDArray[np.bool_]
Whole = npt.NDArray[np.int64]

LEAST_HELD = 2  # pairs that one change must explain
TRIED = 3  # likeliest kinds of change
FITS = 0.001  # a pair that fits as badly as this or worse stays out


def put_back(
    search: Search, cases: Cases, held: Truth, inflation: Real, most: int
) -> tuple[Cases, Whole]:
    """Return cases with the held-back pairs that one change explains, and how many those are.

    cases: with their priors, cut where pairs were held back. held: (case, run), where those end.
    inflation: (kind,) of the changes. most: candidate runs of a case.
    """
    whole = replace(cases, starts=cases.starts & ~held)
    since = candidates(moved_runs(whole), most)
    if not since.run.shape[1]:
        return cases, np.zeros(len(cases), dtype=np.int64)
    tests = search.scan(whole, since).tests[0]
    # One factor must explain them: "free" explains nearly anything. Large changes are clipped, so
    # what a change concerns is told by what then fits: a few of the likeliest are tried.
    log_p = tests.log_p(inflation)[:, :, :-1, 0]
    kinds = np.argsort(log_p.min(axis=1), axis=1)[:, :TRIED]
    case = np.repeat(np.arange(len(cases)), kinds.shape[1])
    kind = kinds.ravel()
    part = log_p[case, :, kind].argmin(axis=1)
    run = since.run[case, part]
    tried = whole.only(case)
    concerned = np.array(
        [
            concerned_by(tried, search.kinds[0], int(k), since.profile[c, p])
            for c, k, p in zip(case, kind, part, strict=True)
        ]
    )
    value, _ = fitted_factors(tried, concerned, search.correlation, inflation[kind])
    value = value[:, None, None, None, None]
    turned = replace(tried, moves=tried.moves * (1.0 + (value - 1.0) * concerned))
    rows = whiten(turned)
    found = walk(turned, rows, directions=False)
    unmix = unmixing(rows.live, search.correlation)
    fits = held[case] & (misfit_of(found, rows.live, unmix) > FITS)
    later = np.arange(held.shape[1]) >= run[:, None]
    explained = (fits & later & moved_runs(tried)).sum(axis=1).reshape(kinds.shape)
    best = explained.argmax(axis=1)
    every = np.arange(len(cases))
    fits = fits.reshape(*kinds.shape, -1)[every, best]
    explained = explained[every, best]
    good = explained >= LEAST_HELD
    starts = np.where(good[:, None], whole.starts | (held & ~fits), cases.starts)
    return replace(cases, starts=starts), np.where(good, explained, 0)
