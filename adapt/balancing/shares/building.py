"""From where a search starts and what holes may hold to the arrays that the walk works on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.arrays import Best, Job
from adapt.balancing.shares.contents import bounds_of, contents_of
from adapt.balancing.shares.kernel import reach
from adapt.balancing.shares.pairs import pairs_of
from adapt.balancing.shares.start import Start, compass, falling
from adapt.balancing.shares.totals import change_of, room_of, rows_of

__all__ = ["Built", "built"]

Int = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]

_DEPTH = 16  # holes opened: more are bounded as any number is


@dataclass(frozen=True, eq=False)
class Built:
    """A search with at most `most` of its first count. counts: of each content, (content, piece).

    order: the file's places of the holes in the order of the walk.
    """

    start: Start
    most: int
    job: Job
    counts: Int
    order: Int

    @property
    def depth(self) -> int:
        """Return how many holes can be changed at most."""
        return min(self.most, len(self.order))

    def fitted(self, best: Best) -> Int:
        """Return what the best answer has fitted, (hole, piece)."""
        holes = self.start.holes
        then = np.zeros_like(holes.fitted) if self.start.from_empty else holes.fitted.copy()
        for p in best.choice[: int(best.of[3])]:
            then[self.order[self.job.hole_of[p]]] = self.counts[p]
        return then


def built(
    start: Start, most: int, along: tuple[complex, ...] = (), until: float = math.inf
) -> Built:
    """Return the arrays of a search. along: directions of residuals to bound well [g mm].

    Raises TooMany where there are more contents than can be looked at, or than until then.
    """
    holes, masses = start.holes, start.holes.masses
    fitted = holes.fitted
    bounds = [bounds_of(hole, now, masses) for hole, now in zip(holes.holes, fitted, strict=True)]
    ready = np.array([-1 if p.stock is None else p.stock for p in holes.pieces], dtype=np.int64)
    room = ready + (fitted.sum(axis=0) if start.from_empty else 0)
    scarce = np.flatnonzero((ready >= 0) & (room < most))
    contents = contents_of(holes, bounds, most, start.from_empty, scarce, until)
    base = np.zeros_like(fitted) if start.from_empty else fitted
    totals = rows_of(holes, bounds)
    radius = np.abs(holes.arms)
    value = [
        ((c.counts - base[h]) @ masses) * radius[h] for h, c in enumerate(contents)
    ]  # fmt: skip
    unit = holes.arms / radius
    order = _order(value, unit, start.rest)
    rows: dict[str, list[npt.NDArray[np.generic]]] = {
        key: [] for key in ("hole_of", "value", "cost", "draws", "fit", "mass", "rank", "counts")
    }
    rank_as_is = np.zeros(len(contents), dtype=np.int64)
    for walked, h in enumerate(order):
        of, now = contents[h], int(fitted[h].sum())
        is_base = (of.counts == base[h]).all(axis=1)
        is_now = (of.counts == fitted[h]).all(axis=1)
        rank_as_is[h] = int(is_base.argmax())
        rank = np.arange(len(of.counts))
        at = np.flatnonzero(~is_base)
        at = at[np.argsort(value[h][at], kind="stable")]
        opened = (~is_now).astype(np.int64) - (int(now > 0) if start.from_empty else 0)
        handled = of.handled - (now if start.from_empty else 0)
        first = of.number if start.from_empty else of.handled
        rows["hole_of"].append(np.full(len(at), walked))
        rows["value"].append(value[h][at])
        rows["cost"].append(np.stack([first, handled, opened], axis=1)[at])
        more = ((of.counts - base[h]) @ masses)[at]
        drawn = (of.counts - base[h])[at][:, scarce]
        rows["draws"].append(np.concatenate([drawn, change_of(totals, h, more)], axis=1))
        rows["fit"].append((of.number - base[h].sum())[at])
        rows["mass"].append(more)
        rows["rank"].append(rank[at])
        rows["counts"].append(of.counts[at])
    stacked = {key: np.concatenate(parts) for key, parts in rows.items()}
    sizes = [len(part) for part in rows["value"]]
    directions = np.concatenate([compass(), [d / abs(d) for d in along if abs(d) > start.tie]])
    high, low = _extremes(rows["value"], rows["cost"], most)
    depth = min(most, len(order))
    cosine = (unit[order][None, :] * np.conj(directions)[:, None]).real
    hole_of, pushes = stacked["hole_of"].astype(np.int64), stacked["value"].astype(np.float64)
    single = np.flatnonzero(stacked["cost"][:, 0] == 1) if most > 2 else np.zeros(0, np.int64)
    pairs, cells, grid = pairs_of(unit[order][hole_of] * pushes, hole_of, single)
    along_arms = cosine.T * radius[order][:, None]
    by_mass = np.argsort(-masses, kind="stable")
    job = Job(
        ux=unit[order].real.copy(),
        uy=unit[order].imag.copy(),
        start=np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64),
        hole_of=hole_of,
        value=pushes,
        cost=np.ascontiguousarray(stacked["cost"], dtype=np.int64),
        draws=np.ascontiguousarray(stacked["draws"], dtype=np.int64),
        fit=stacked["fit"].astype(np.float64),
        mass=stacked["mass"].astype(np.float64),
        rank=stacked["rank"].astype(np.int64),
        room=np.concatenate([room[scarce], room_of(totals, base @ masses)]).astype(np.int64),
        place=order.astype(np.int64),
        rank_as_is=rank_as_is,
        least_cost=_least(rows["cost"], 3),
        least_draw=_least(rows["draws"], len(scarce) + len(totals)),
        dx=directions.real.copy(),
        dy=directions.imag.copy(),
        table=reach(
            high, low, np.ascontiguousarray(cosine), most, min(depth, _DEPTH), depth > _DEPTH
        ),
        pairs=pairs,
        cells=cells,
        grid=grid,
        heavy=masses[by_mass].copy(),
        scarce=np.array([_place(scarce, kind) for kind in by_mass], dtype=np.int64),
        arms=_arms(along_arms, np.array([bounds[h].most_pieces for h in order]), most)
        if len(scarce)
        else np.zeros((1, 1, 1)),
        loose=_loose(along_arms, (base @ masses)[order]),
    )
    return Built(start, most, job, stacked["counts"].astype(np.int64), order)


def _order(value: list[Real], unit: npt.NDArray[np.complex128], rest: complex) -> Int:
    """Return holes by how far they can push towards what is to be corrected, the farthest first."""
    wanted = rest / abs(rest) if rest else 0.0
    pushes = [
        float((v * (u * np.conj(wanted)).real).max(initial=0.0)) if rest else
        float(np.abs(v).max(initial=0.0))
        for v, u in zip(value, unit, strict=True)
    ]  # fmt: skip
    return np.argsort(-np.array(pushes), kind="stable").astype(np.int64)


def _extremes(
    value: list[npt.NDArray[np.generic]], cost: list[npt.NDArray[np.generic]], most: int
) -> tuple[Real, Real]:
    """Return the largest and smallest value of each hole within each first count, 0 included."""
    high, low = np.zeros((len(value), most + 1)), np.zeros((len(value), most + 1))
    for h, (v, c) in enumerate(zip(value, cost, strict=True)):
        np.maximum.at(high[h], np.asarray(c)[:, 0], np.asarray(v))
        np.minimum.at(low[h], np.asarray(c)[:, 0], np.asarray(v))
    return np.maximum.accumulate(high, axis=1), np.minimum.accumulate(low, axis=1)


def _place(scarce: Int, kind: int) -> int:
    """Return a kind's place among the scarce ones, -1 where it is not scarce."""
    return int(np.flatnonzero(scarce == kind)[0]) if kind in scarce else -1


def _arms(along: Real, places: Int, most: int) -> Real:
    """Return the push of 1 g in so many places of holes from one on (see `Job`).

    along: (hole, direction) [g mm per g]; places: of each hole.
    """
    holes, directions = along.shape
    arms = np.zeros((holes + 1, directions, most + 1))
    for d in range(directions):
        for h in range(holes):
            each = np.repeat(np.maximum(along[h:, d], 0.0), np.minimum(places[h:], most))
            pushes = falling(each)[:most].cumsum()
            arms[h, d, 1 : len(pushes) + 1] = pushes
            arms[h, d, len(pushes) + 1 :] = pushes[-1] if len(pushes) else 0.0
    return arms


def _loose(along: Real, mass: Real) -> Real:
    """Return the push of all that can be taken out of holes from one on, (hole + 1, direction)."""
    pushes = (np.maximum(-along, 0.0) * mass[:, None])[::-1].cumsum(axis=0)[::-1]
    return np.ascontiguousarray(np.concatenate([pushes, np.zeros((1, along.shape[1]))]))


def _least(parts: list[npt.NDArray[np.generic]], columns: int) -> Int:
    """Return the least that holes from one on can add to each column, (hole + 1, column)."""
    least = np.array(
        [np.minimum(np.asarray(part).min(axis=0, initial=0), 0) for part in parts], dtype=np.int64
    ).reshape(len(parts), columns)
    after = least[::-1].cumsum(axis=0)[::-1]
    return np.ascontiguousarray(np.concatenate([after, np.zeros((1, columns), dtype=np.int64)]))
