"""Moves that do exactly the opposite of each other, merged to one.

On an even rotor weight added to a blade does to every reading what the same weight taken from the
opposite blade does. A plan may use either, or, where one blade's range is not enough, both.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice, product
from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.planning.job.hardware import Hardware
from adapt.planning.problem.forms import Forms

__all__ = ["Merged"]

Real = npt.NDArray[np.float64]
Int = npt.NDArray[np.int64]

_SAME = 1e-12
_MOST = 4096


@dataclass(frozen=True, eq=False)
class Merged:
    """Variables of the search. Axis: merged variable.

    first, second: hardware variables; x steps stand for x of the first, or -x of the second, or
    both shared (second -1: there is none). low, high: steps; cost: moves that it takes; partner:
    the one that stands for the same hardware, or -1.
    """

    first: Int
    second: Int
    low: Int
    high: Int
    cost: Int
    partner: Int

    @classmethod
    def of(cls, hardware: Hardware, forms: Forms, beside: Real | None = None) -> Merged:
        """Return the merged variables of some hardware by what its moves do to the rows.

        beside: (row, variable) what a move does whichever way it goes; must be the same too.
        """
        variables = len(hardware.step)
        quadratic = forms.quadratic.reshape(len(forms.quadratic), variables, variables)
        bound = np.asarray(hardware.rows.any(axis=0))
        beside = np.zeros((0, variables)) if beside is None else beside
        left = list(range(variables))
        columns: list[list[int]] = []
        while left:
            v = left.pop(0)
            low, high = int(hardware.low[v]), int(hardware.high[v])
            at = next(
                (
                    z
                    for z in left
                    if _opposite(hardware, quadratic, forms, bound, v, z)
                    and np.allclose(beside[:, v], beside[:, z], rtol=_SAME, atol=0.0)
                ),
                -1,
            )
            if at < 0:
                columns.append([v, -1, low, high, 1, -1])
                continue
            left.remove(at)
            down, up = -int(hardware.high[at]), -int(hardware.low[at])
            one = [v, at, min(low, down), max(high, up), 1, -1]
            both = [v, at, low + down, high + up, 2, len(columns)]
            if both[2:4] == one[2:4]:
                columns.append(one)
            else:
                one[5] = len(columns) + 1
                columns += [one, both]
        table = np.array(columns, dtype=np.int64).reshape(-1, 6)
        return cls(*table.T)

    @classmethod
    def apart(cls, hardware: Hardware) -> Merged:
        """Return variables that stand for themselves alone."""
        count = len(hardware.step)
        none = np.full(count, -1)
        ones = np.ones(count, dtype=np.int64)
        return cls(np.arange(count), none, hardware.low, hardware.high, ones, none)

    def plans(self, steps: npt.NDArray[Any], hardware: Hardware) -> Int:
        """Return every plan of the hardware (plan, variable) that one plan here stands for.

        steps: (merged variable,). Where both blades are moved, with the least fitted in all.
        """
        choices: list[list[tuple[tuple[int, int], ...]]] = []
        for m in np.flatnonzero(steps):
            v, z, x = int(self.first[m]), int(self.second[m]), int(steps[m])
            if z < 0:
                choices.append([((v, x),)])
                continue
            choices.append(
                (self.cost[m] == 2 and _on_both(hardware, v, z, x)) or _on_one(hardware, v, z, x)
            )
        found = []
        for way in islice(product(*choices), _MOST):
            plan = np.zeros(len(hardware.step), dtype=np.int64)
            for part in way:
                for v, x in part:
                    plan[v] = x
            found.append(plan)
        return np.array(found, dtype=np.int64).reshape(len(found), len(hardware.step))


def _on_one(hardware: Hardware, v: int, z: int, x: int) -> list[tuple[tuple[int, int], ...]]:
    """Return the single moves that do what x steps of v do."""
    ways: list[tuple[tuple[int, int], ...]] = []
    ways += [((v, x),)] if hardware.low[v] <= x <= hardware.high[v] else []
    ways += [((z, -x),)] if hardware.low[z] <= -x <= hardware.high[z] else []
    return ways


def _on_both(hardware: Hardware, v: int, z: int, x: int) -> list[tuple[tuple[int, int], ...]]:
    """Return a + b of two moves with x = a - b, both as low as they can be; none if none can."""
    least = max(int(hardware.low[v]), x + int(hardware.low[z]))
    for a in range(least, least + 3):  # two of these at most leave one of the blades alone
        b = a - x
        if a and b and a <= hardware.high[v] and b <= hardware.high[z]:
            return [((v, a), (z, b))]
    return []


def _opposite(
    hardware: Hardware,
    quadratic: Real,
    forms: Forms,
    bound: npt.NDArray[np.bool_],
    v: int,
    z: int,
) -> bool:
    """Tell whether steps of v and steps of z the other way do the same to everything."""
    if bound[v] or bound[z] or hardware.adjuster[v] != hardware.adjuster[z]:
        return False
    size = max(float(np.abs(quadratic[:, v, v]).max(initial=0.0)), 1e-300)
    line = max(float(np.abs(forms.linear[:, v]).max(initial=0.0)), 1e-300)
    return bool(
        np.abs(quadratic[:, v, v] - quadratic[:, z, z]).max(initial=0.0) <= _SAME * size
        and np.abs(quadratic[:, v, v] + quadratic[:, v, z]).max(initial=0.0) <= _SAME * size
        and np.abs(forms.linear[:, v] + forms.linear[:, z]).max(initial=0.0) <= _SAME * line
    )
