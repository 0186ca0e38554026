"""Coverage of predicted readings: what is counted, and intervals from whole fleets."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

import loop_worlds
from loop_history import history_of_jobs
from loop_worlds import Setting, night_of
from prediction_coverage import ALL, LEVELS, PAIRS, Count, Task, one_fleet, rows_of

import adapt


def test_shares_are_of_readings_and_intervals_of_fleets() -> None:
    counts = [
        Count("model", 0, "track", ALL, 10, (5, 8, 10)),
        Count("model", 1, "track", ALL, 30, (15, 24, 27)),
    ]
    (row,) = rows_of(counts)
    assert row["readings"] == 40
    # Both fleets hold 50 and 80 % alike: however they are drawn, that is the share.
    assert row["50 %"] == pytest.approx((0.5, 0.5, 0.5))
    assert row["80 %"] == pytest.approx((0.8, 0.8, 0.8))
    # Of two drawn fleets both are the first, or both the second, in a quarter of cases each.
    assert row["95 %"] == pytest.approx((37 / 40, 27 / 30, 10 / 10))


def test_what_is_counted_is_what_compare_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loop_worlds, "OTHERS", 3)
    monkeypatch.setattr(loop_worlds, "JOBS_OF_OTHERS", 2)
    counts = one_fleet(Task("model", 1))
    night = night_of(1, Setting("model"))
    log = history_of_jobs(night.rotor, night.others)
    told = adapt.compare(night.rotor, log, chart=night.chart).coverage
    for count in counts:
        experience = told["experience"].isna() if count.pairs == ALL else (
            told["experience"] == count.pairs
        )  # fmt: skip
        mine = told[(told["of"] == count.of) & experience].set_index("level")
        for level, inside in zip(LEVELS, count.inside, strict=True):
            if count.readings:
                assert mine.loc[level, "readings"] == count.readings
                assert mine.loc[level, "share"] == pytest.approx(inside / count.readings)
    assert {count.pairs for count in counts if count.readings} >= {PAIRS[0], PAIRS[1], ALL}
