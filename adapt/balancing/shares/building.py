"""From holes and what may stand in them to the arrays that the walk works on, and what is in reach.

Two counts can come first: pieces handled, walked from what is fitted now; and pieces fitted then,
walked from empty holes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.balancing.shares.arrays import Best, Job, State, new_state
from adapt.balancing.shares.contents import bounds_of, contents_of
from adapt.balancing.shares.kernel import reach
from adapt.balancing.shares.pairs import pairs_of
from adapt.balancing.shares.values import Holes

__all__ = ["MOST", "Built", "Start", "built", "start_of"]

Int = npt.NDArray[np.int64]
Real = npt.NDArray[np.float64]

_DIRECTIONS = 32
_DEPTH = 16  # holes opened: more are bounded as any number is
MOST = 120  # pieces: answers with more are not looked at


@dataclass(frozen=True, eq=False)
class Start:
    """Where a search starts. from_empty: holes are walked from empty, counting pieces fitted.

    rest: what is then to be corrected [g mm]. most: no answer has a larger first count. spent: the
    counts before a choice is made (first count, handled, opened); held: pieces and mass [g] fitted.
    pushed: the most that so many pieces can push, (direction, pieces) [g mm].
    scale: of what is summed up [g mm].
    """

    holes: Holes
    from_empty: bool
    rest: complex
    most: int
    spent: tuple[int, int, int]
    held: tuple[int, float]
    pushed: Real
    scale: float

    @property
    def tie(self) -> float:
        """Residuals closer than this are equal [g mm]."""
        return 1e-9 * max(self.scale, abs(self.rest))

    def least_count(self, tolerance: float) -> int | None:
        """Return a first count below which no answer can be; None when no count does."""
        wanted = (self.rest * np.conj(_compass())).real - tolerance - self.tie
        enough = (self.pushed >= wanted[:, None]).all(axis=0)
        return int(enough.argmax()) if enough.any() else None

    def state(self, depth: int, scarce: int) -> State:
        """Return a walk that has not begun."""
        state = new_state(depth, len(self.holes.pieces), scarce, self.rest, self.held)
        state.spent[0] = self.spent
        return state


def start_of(holes: Holes, target: complex, from_empty: bool) -> Start:
    """Return where the search for a change of unbalance [g mm] starts."""
    masses, fitted = holes.masses, holes.fitted
    bounds = [bounds_of(hole, now, masses) for hole, now in zip(holes.holes, fitted, strict=True)]
    now_g = fitted @ masses
    most_g = np.array([bound.most_g for bound in bounds])
    count = np.array([bound.most_pieces for bound in bounds])
    heaviest = float(masses.max(initial=0.0))
    pieces = _heaviest(holes)
    lines = []
    for direction in _compass():
        along = (holes.arms * np.conj(direction)).real
        gains = most_g if from_empty else most_g - now_g
        room = np.where(along > 0.0, gains, 0.0 if from_empty else now_g)
        by_room = _falling([
            abs(push) * min(heaviest, left - k * heaviest)
            for push, left in zip(along, room, strict=True)
            for k in range(int(np.ceil(left / heaviest - 1e-9)) if heaviest else 0)
        ])  # fmt: skip
        # The heaviest pieces there are in the places that push farthest; and all that comes out.
        places = _falling(np.repeat(np.maximum(along, 0.0), count))[: len(pieces)]
        taken: Any = [] if from_empty else np.repeat(
            np.maximum(-along, 0.0)[:, None] * holes.masses, fitted.ravel()
        )  # fmt: skip
        by_stock = _falling([*(places * pieces[: len(places)]), *taken])
        lines.append((by_room, by_stock))
    width = max(len(line) for pair in lines for line in pair)
    pushed = np.array([
        [np.concatenate([[0.0], line, np.zeros(width - len(line))]).cumsum() for line in pair]
        for pair in lines
    ]).min(axis=1)  # fmt: skip
    total = int(fitted.sum())
    return Start(
        holes=holes,
        from_empty=from_empty,
        rest=target + (holes.unbalance(fitted) if from_empty else 0.0),
        most=int(count.sum()) if from_empty else int(count.sum()) + total,
        spent=(0, total, int((fitted.sum(axis=1) > 0).sum())) if from_empty else (0, 0, 0),
        held=(0, 0.0) if from_empty else (total, float(now_g.sum())),
        pushed=pushed,
        scale=float(np.abs(holes.arms).max() * heaviest),
    )


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


def built(start: Start, most: int, along: tuple[complex, ...] = ()) -> Built:
    """Return the arrays of a search. along: directions of residuals to bound well [g mm]."""
    holes, masses = start.holes, start.holes.masses
    fitted = holes.fitted
    bounds = [bounds_of(hole, now, masses) for hole, now in zip(holes.holes, fitted, strict=True)]
    ready = np.array([-1 if p.stock is None else p.stock for p in holes.pieces], dtype=np.int64)
    room = ready + (fitted.sum(axis=0) if start.from_empty else 0)
    scarce = np.flatnonzero((ready >= 0) & (room < most))
    contents = contents_of(holes, bounds, most, start.from_empty, scarce)
    base = np.zeros_like(fitted) if start.from_empty else fitted
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
        rows["draws"].append((of.counts - base[h])[at][:, scarce])
        rows["fit"].append((of.number - base[h].sum())[at])
        rows["mass"].append(((of.counts - base[h]) @ masses)[at])
        rows["rank"].append(rank[at])
        rows["counts"].append(of.counts[at])
    stacked = {key: np.concatenate(parts) for key, parts in rows.items()}
    sizes = [len(part) for part in rows["value"]]
    directions = np.concatenate([_compass(), [d / abs(d) for d in along if abs(d) > start.tie]])
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
        room=room[scarce].astype(np.int64),
        place=order.astype(np.int64),
        rank_as_is=rank_as_is,
        least_cost=_least(rows["cost"], 3),
        least_draw=_least(rows["draws"], len(scarce)),
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


def _heaviest(holes: Holes) -> Real:
    """Return the masses of all pieces there are, the heaviest first [g]; no more than are used."""
    most = 4 * MOST
    counts = [
        most if piece.stock is None else min(piece.stock + int(there), most)
        for piece, there in zip(holes.pieces, holes.fitted.sum(axis=0), strict=True)
    ]
    return _falling(np.repeat(holes.masses, counts))


def _falling(values: Any) -> Real:
    return np.sort(np.asarray(values, dtype=float))[::-1]


def _compass() -> npt.NDArray[np.complex128]:
    return np.asarray(np.exp(2j * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS))


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
            pushes = _falling(each)[:most].cumsum()
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
