"""Coverage of predicted readings: what is counted, and intervals from whole fleets."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

import loop_worlds
from loop_history import history_of_jobs
from loop_worlds import Setting, night_of
from prediction_coverage import ALL, LEVELS, Count, Task, one_fleet, rows_of

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


def test_what_is_counted_is_what_a_count_of_the_predictions_gives(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(loop_worlds, "OTHERS", 3)
    monkeypatch.setattr(loop_worlds, "JOBS_OF_OTHERS", 2)
    counts = {(c.of, c.pairs): c for c in one_fleet(Task("model", 1))}
    night = night_of(1, Setting("model"))
    log = history_of_jobs(night.rotor, night.others)
    told = adapt.compare(night.rotor, log, chart=night.chart).predictions
    told = told[(told["method"] == "learned") & told["tail"].notna()]
    for of, some in (("vibration", told[told.sensor.notna()]), ("track", told[told.sensor.isna()])):
        for pairs, mine in (("0", some[some.pairs == 0]), ("2 to 3", some[some.pairs.isin((2, 3))]),
                            (ALL, some)):  # fmt: skip
            inside = tuple(sum(tail >= 1.0 - level for tail in mine["tail"]) for level in LEVELS)
            assert len(mine) > 0
            assert (counts[of, pairs].readings, counts[of, pairs].inside) == (len(mine), inside)
