"""Opposite blades merged: every merged plan stands for moves of the hardware that do the same."""

from __future__ import annotations

from itertools import product
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from adapt.planning.search.merged import Merged

BLADES = 4


def even_rotor(rng: np.random.Generator, kept: bool = False) -> tuple[Any, Any]:
    """Return hardware of one adjuster on four blades, drawn ranges, and the rows its moves make.

    kept: whether the sum over blades is bounded.
    """
    turn = np.exp(2j * np.pi * np.arange(BLADES) / BLADES)
    column = (rng.standard_normal(3) + 1j * rng.standard_normal(3))[:, None] * turn
    level = rng.standard_normal(3) + 1j * rng.standard_normal(3)
    hardware = SimpleNamespace(
        step=np.ones(BLADES),
        adjuster=np.zeros(BLADES, dtype=np.int64),
        low=-rng.integers(0, 4, BLADES),
        high=rng.integers(0, 4, BLADES),
        rows=np.ones((int(kept), BLADES)),
    )
    forms = SimpleNamespace(
        quadratic=np.einsum("rv,rw->rvw", column.conj(), column).real.reshape(3, -1),
        linear=(column.conj() * level[:, None]).real,
        column=column,
    )
    return hardware, forms


@pytest.mark.parametrize("seed", range(20))
def test_merged_plans_reach_what_all_plans_reach_and_no_more(seed: int) -> None:
    """For every number of moves: the least number at which each effect can be had, by trying."""
    hardware, forms = even_rotor(np.random.default_rng(seed))
    merged = Merged.of(hardware, forms)
    steps = [range(a, b + 1) for a, b in zip(hardware.low, hardware.high, strict=True)]
    effects: dict[tuple[int, int], int] = {}
    for plan in product(*steps):
        x = np.array(plan)
        key = (int(x[0] - x[2]), int(x[1] - x[3]))
        effects[key] = min(effects.get(key, 9), int((x != 0).sum()))
    found: dict[tuple[int, int], int] = {}
    ranges = [range(a, b + 1) for a, b in zip(merged.low, merged.high, strict=True)]
    for plan in product(*ranges):
        x = np.array(plan)
        used = np.flatnonzero(x)
        if any(merged.partner[m] in used for m in used):
            continue
        plans = merged.plans(x, hardware)
        assert len(plans)
        assert ((plans >= hardware.low) & (plans <= hardware.high)).all()
        made = {(int(p[0] - p[2]), int(p[1] - p[3])) for p in plans}
        assert len(made) == 1
        np.testing.assert_allclose(
            plans @ forms.column.T, np.tile(forms.column[:, merged.first] @ x, (len(plans), 1)),
            atol=1e-12,
        )  # fmt: skip
        cost = int(merged.cost[used].sum())
        assert (plans != 0).sum(axis=1).max() <= cost
        key = made.pop()
        found[key] = min(found.get(key, 9), cost)
    assert found == effects


def test_blades_whose_sum_is_bounded_are_left_apart() -> None:
    hardware, forms = even_rotor(np.random.default_rng(1), kept=True)
    merged = Merged.of(hardware, forms)
    assert (merged.second == -1).all()
    assert len(merged.first) == BLADES
