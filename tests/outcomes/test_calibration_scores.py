"""Whether chances held: scores that are right by hand, and that notice chances that are wrong."""

import numpy as np
import pandas as pd
import pytest

from adapt.outcomes.calibration import (
    BINS,
    band,
    bin_of,
    brier,
    by_experience,
    coverage,
    reliability,
)


def drawn(rng: np.random.Generator, number: int) -> tuple[np.ndarray, np.ndarray]:
    stated = rng.beta(1.2, 0.8, number)
    return stated, rng.random(number) < stated


def test_brier_by_hand() -> None:
    stated = np.array([0.05, 0.05, 0.95, 0.95])
    came = np.array([False, True, True, True])
    score = brier(stated, came)
    assert score.score == pytest.approx((0.0025 + 0.9025 + 0.0025 + 0.0025) / 4)
    # Two bins: shares 1/2 and 1; overall 3/4.
    assert score.reliability == pytest.approx((0.45**2 + 0.05**2) / 2)
    assert score.resolution == pytest.approx(2 * 0.25**2 / 2)
    assert score.uncertainty == pytest.approx(0.75 * 0.25)
    assert score.rest == pytest.approx(0.0, abs=1e-12)
    assert score.if_right == pytest.approx(0.95 * 0.05)
    assert np.isnan(score.low)


def test_brier_of_right_chances_is_what_it_would_be_if_right() -> None:
    rng = np.random.default_rng(71)
    held = 0
    for _ in range(200):
        stated, came = drawn(rng, 300)
        score = brier(stated, came)
        held += score.low <= score.if_right <= score.high
        parts = score.reliability - score.resolution + score.uncertainty + score.rest
        assert parts == pytest.approx(score.score)
    assert 0.9 <= held / 200 <= 0.99


def test_the_band_holds_all_bins_of_right_chances_and_not_of_bold_ones() -> None:
    rng = np.random.default_rng(72)
    held = {"right": 0, "bold": 0}
    for _ in range(60):
        stated, _ = drawn(rng, 800)
        at = bin_of(stated)
        bins, low, high = band(stated, at, draws=400)
        odds = stated / (1 - stated)
        for name, truth in (("right", stated), ("bold", odds**0.5 / (1 + odds**0.5))):
            came = rng.random(800) < truth
            shares = np.array([came[at == b].mean() for b in bins])
            held[name] += bool(((shares >= low - 1e-9) & (shares <= high + 1e-9)).all())
    assert held["right"] >= 51  # 95 % of 60; fewer than 51 in 0.2 % of cases
    assert held["bold"] <= 2


def test_reliability_counts_what_came_true_and_its_interval_holds() -> None:
    rng = np.random.default_rng(73)
    outside, bins = 0, 0
    for _ in range(40):
        stated, came = drawn(rng, 400)
        table = reliability(
            pd.DataFrame(
                {"of": "run", "job": np.arange(400) // 4, "chance": stated, "came_true": came}
            )
        )
        assert table.number.sum() == 400
        for row in table.itertuples():
            here = (stated >= row.stated_from) & (stated <= row.stated_to)
            assert row.stated == pytest.approx(stated[here].mean())
            assert row.came_true == pytest.approx(came[here].mean())
        told = table[table.low.notna()]
        outside += int(((told.stated < told.low) | (told.stated > told.high)).sum())
        bins += len(told)
    assert outside / bins <= 0.075
    assert outside > 0


def test_what_has_no_chance_is_left_out() -> None:
    table = reliability(
        pd.DataFrame(
            {
                "of": ["run"] * 3,
                "job": ["a", "b", "c"],
                "chance": [0.5, np.nan, 0.5],
                "came_true": [1.0, 1.0, np.nan],
            }
        )
    )
    assert table.number.tolist() == [1]
    assert table.low.isna().all()
    assert reliability(pd.DataFrame(columns=["of", "job", "chance", "came_true"])).empty


def test_coverage_of_even_tails_is_what_was_stated() -> None:
    rng = np.random.default_rng(74)
    held, told = 0, 0
    for _ in range(50):
        tail = rng.random(600)
        frame = pd.DataFrame(
            {
                "of": "vibration",
                "experience": np.where(np.arange(600) % 2, "0", "1"),
                "job": np.arange(600) // 10,
                "tail": tail,
            }
        )
        table = coverage(frame)
        everything = table[table.experience.isna()]
        assert everything.level.tolist() == [0.5, 0.8, 0.9, 0.95, 0.99]
        shares = [(tail >= 1 - v).mean() for v in everything.level]
        np.testing.assert_allclose(everything.share, shares)
        inside = everything[everything.level < 0.97]
        held += int(((inside.low <= inside.level) & (inside.level <= inside.high)).sum())
        told += len(inside)
    assert 0.9 <= held / told <= 0.99
    assert set(table.experience.dropna()) == {"0", "1"}
    assert coverage(frame.assign(tail=np.nan)).empty


def test_chances_by_experience_are_those_of_each_group() -> None:
    rng = np.random.default_rng(75)
    stated, came = drawn(rng, 300)
    frame = pd.DataFrame(
        {
            "of": np.where(np.arange(300) < 200, "run", "track"),
            "experience": np.where(np.arange(300) % 3, "0", "1"),
            "job": np.arange(300) // 5,
            "chance": stated,
            "came_true": came,
        }
    )
    table = by_experience(frame).set_index(["of", "experience"])
    assert len(table) == 4
    for key, part in frame.groupby(["of", "experience"]):
        row = table.loc[key]
        assert row.number == len(part)
        assert row.stated == pytest.approx(part.chance.mean())
        assert row.came_true == pytest.approx(part.came_true.mean())
        assert row.brier == pytest.approx(((part.chance - part.came_true) ** 2).mean())
        assert row.low < row.came_true < row.high
    assert by_experience(frame.assign(chance=np.nan)).empty


def test_bins_hold_every_chance_once() -> None:
    chance = np.linspace(0.0, 1.0, 1001)
    at = bin_of(chance)
    assert at.min() == 0
    assert at.max() == len(BINS) - 2
    assert (np.diff(at) >= 0).all()
