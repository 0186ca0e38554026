"""Decisions replayed: from what was known then, by the right chances, and nothing of the future."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Fleet, fleet, history, invented_rotor

import adapt
from adapt.log import History
from adapt.outcomes import Decisions, replay_decisions
from adapt.problems import BadInput

EASY = {"aim": "smoothest", "seconds": 10.0}


@pytest.fixture(scope="module")
def flown() -> tuple[Fleet, Decisions]:
    """Five rotors, two jobs each, two adjusters; a weak and early chart."""
    f = fleet(np.random.default_rng(81), invented_rotor(4, 1, 2, 2, track=False), rotors=5, runs=4)
    f.chart = replace(f.chart, mean=f.type_ * 0.7 * np.exp(-0.5j))
    return f, replay_decisions(f.rotor, f.history, f.chart, **EASY)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def few() -> tuple[Fleet, Decisions]:
    """Three rotors, two short jobs each: for what can be seen on any decisions."""
    f = fleet(np.random.default_rng(85), invented_rotor(4, 1, 2, 2, track=False), rotors=3, runs=3)
    return f, replay_decisions(f.rotor, f.history, f.chart, **EASY)  # type: ignore[arg-type]


def test_each_run_with_a_move_after_it_has_three_rows(flown: tuple[Fleet, Decisions]) -> None:
    f, found = flown
    table = found.table
    last = f.history.runs.groupby("job").run.max()
    moves = f.history.moves
    total = moves.groupby(["job", "after_run", "blade", "adjuster"]).amount.sum()
    real = total[total != 0].reset_index()  # there and back again is no move
    made = {(j, r) for j, r in zip(real.job, real.after_run, strict=True) if r != last[j]}
    rows = table.groupby(["job", "run"]).by.apply(tuple)
    assert set(rows.index) == made
    assert set(rows) == {("made", "chart", "learned")}
    firsts = table[table["first"]].groupby("job").run.unique()
    assert all(len(runs) == 1 for runs in firsts)


def test_what_was_made_is_what_the_log_says(flown: tuple[Fleet, Decisions]) -> None:
    f, found = flown
    made = found.table[found.table.by == "made"].iloc[3]
    moves = f.history.moves
    here = moves[(moves.job == made.job) & (moves.after_run == made.run)]
    total = here.groupby(["blade", "adjuster"]).amount.sum()
    total = total[total != 0]
    assert {(m.blade, m.adjuster): m.amount for m in made.plan} == pytest.approx(total.to_dict())
    after = str(int(made.run) + 1)
    read = f.history.readings
    amplitude = np.abs(read[(read.job == made.job) & (read.run == after)].value)
    assert made.came_inside == float((amplitude <= 0.2).all())


def test_the_learned_plan_is_that_of_the_planner_on_the_log_as_it_was() -> None:
    """The last decision of the log, with all before it learned by the public interface."""
    f = fleet(
        np.random.default_rng(82), invented_rotor(4, 1, 2, 2, track=False), rotors=4, jobs=1,
        runs=3,
    )  # fmt: skip
    found = replay_decisions(f.rotor, f.history, f.chart, **EASY)  # type: ignore[arg-type]
    begun = f.history.runs.groupby("job").started.min()
    job = str(begun.idxmax())
    row = found.table[(found.table.job == job) & (found.table.by == "learned")].iloc[-1]

    def upto(table: pd.DataFrame, column: str, last: str) -> pd.DataFrame:
        return table[(table.job != job) | (table[column].astype(int) <= int(last))]

    log = f.history
    before = str(int(row.run) - 1)
    then = replace(
        log,
        runs=upto(log.runs, "run", row.run),
        readings=upto(log.readings, "run", row.run),
        moves=upto(log.moves, "after_run", before),
    )
    first = replace(
        log,
        runs=log.runs[log.runs.job != job],
        readings=log.readings[log.readings.job != job],
        moves=log.moves[log.moves.job != job],
    )
    known = adapt.learn(f.rotor, first, f.chart)
    plan = adapt.plan(f.rotor, known, then, job, aim="smoothest")
    assert plan.moves == row["plan"]
    assert plan.joint_chance == pytest.approx(row.stated, abs=0.02)
    assert plan.worst_ratio == pytest.approx(row.worst_ratio, rel=1e-3)
    assert row.stated == row.known_then


def test_the_charts_plan_takes_the_chart_at_its_word(flown: tuple[Fleet, Decisions]) -> None:
    """A weak and early chart promises more than what was known then, on average."""
    _, found = flown
    chart = found.table[found.table.by == "chart"]
    learned = found.table[found.table.by == "learned"]
    assert chart.stated.mean() > chart.known_then.mean() + 0.1
    assert learned.worst_now.mean() < chart.worst_now.mean()
    assert learned.known_now.mean() > chart.known_now.mean()


def test_nothing_of_the_future_is_in_a_decision(few: tuple[Fleet, Decisions]) -> None:
    f, found = few
    started = f.history.runs.set_index(["job", "run"]).started
    when = started.sort_values().iloc[len(started) // 2]
    other = replay_decisions(f.rotor, _changed(f.history, when), f.chart, **EASY)  # type: ignore[arg-type]
    past = np.array(
        [started[key] < when for key in zip(found.table.job, found.table.run, strict=True)]
    )
    assert 0.3 < past.mean() < 0.7
    a, b = found.table[past], other.table[past]
    planned = a.by != "made"
    assert (a["plan"][planned] == b["plan"][planned]).all()
    for name in ("stated", "known_then", "worst_ratio"):
        np.testing.assert_allclose(a[name][planned], b[name][planned], rtol=1e-9)


def _changed(log: History, when: pd.Timestamp) -> History:
    """Return the log with every reading from then on replaced and every later move doubled."""
    started = log.runs.set_index(["job", "run"]).started
    readings, moves = log.readings.copy(), log.moves.copy()
    late = [started[k] >= when for k in zip(readings.job, readings.run, strict=True)]
    readings.loc[late, "value"] = readings.loc[late, "value"] * 1j + 0.3
    late = [started[k] >= when for k in zip(moves.job, moves.after_run, strict=True)]
    moves.loc[late, "amount"] *= 2.0
    return replace(log, readings=readings, moves=moves)


def test_processes_give_the_same_decisions(few: tuple[Fleet, Decisions]) -> None:
    f, found = few
    with ProcessPoolExecutor(2, get_context("fork")) as pool:
        other = replay_decisions(f.rotor, f.history, f.chart, executor=pool, **EASY)  # type: ignore[arg-type]
    pd.testing.assert_frame_equal(found.table, other.table, rtol=1e-9)
    pd.testing.assert_frame_equal(found.summary, other.summary, rtol=1e-9)


def test_jobs_are_told_as_they_went(flown: tuple[Fleet, Decisions]) -> None:
    f, found = flown
    jobs = found.jobs.set_index("job")
    read = f.history.readings
    inside = np.abs(read.value).groupby([read.job, read.run]).max() <= 0.2
    for job in ("J000-0", "J003-1"):
        row = jobs.loc[job]
        runs = inside[job]
        assert row.runs == len(runs) == 4
        assert row.inside_at_first == float(runs.iloc[0])
        good = np.flatnonzero(runs.to_numpy())
        assert np.isnan(row.runs_to_inside) if not len(good) else row.runs_to_inside == good[0] + 1
        moved = f.history.moves[f.history.moves.job == job].after_run.astype(int)
        assert row.corrections == len(set(moved) - {3})
        assert row.inside_after_first == float(runs.iloc[moved.min() + 1])


def test_summaries_are_means_of_the_decisions(flown: tuple[Fleet, Decisions]) -> None:
    _, found = flown
    for row in found.summary.itertuples():
        part = found.table[found.table.by == row.by]
        part = part[part["first"]] if row.first else part
        assert row.decisions == len(part)
        assert row.known_now == pytest.approx(part.known_now.mean())
        assert row.known_now_low <= row.known_now <= row.known_now_high
        assert row.moves == pytest.approx(part.moves.mean())
    made = found.summary[found.summary.by == "made"]
    assert (made.as_made == 1.0).all()


def test_a_plan_that_cannot_be_made_says_why_and_is_left_out_of_the_means(
    few: tuple[Fleet, Decisions],
) -> None:
    f, _ = few
    mean = np.full_like(f.chart.mean, np.nan)
    found = replay_decisions(
        f.rotor, f.history, replace(f.chart, mean=mean, sd=np.full(mean.shape, np.nan)), **EASY
    )  # type: ignore[arg-type]
    chart = found.table[found.table.by == "chart"]
    assert chart.why_not.str.startswith("the chart has no row for limited readings").all()
    assert chart[["moves", "stated", "known_now"]].isna().all().all()
    assert any(f"{len(chart)} without a plan by chart" in note for note in found.notes)
    assert found.summary.empty
    assert found.table[found.table.by == "made"].known_then.notna().any()


def test_a_request_that_cannot_be_used_is_refused() -> None:
    f = fleet(np.random.default_rng(83), rotors=1, jobs=1, runs=2)
    with pytest.raises(BadInput, match=r"boldest.*\n?.*chance 2"):
        replay_decisions(f.rotor, f.history, f.chart, aim="boldest", chance=2.0)


def test_logs_without_a_decision_give_empty_tables() -> None:
    f = fleet(np.random.default_rng(84), rotors=2, jobs=1, runs=1)
    for log in (f.history, history([], [])):
        found = replay_decisions(f.rotor, log, f.chart)
        assert found.table.empty
        assert found.summary.empty
    assert len(replay_decisions(f.rotor, f.history, f.chart).jobs) == 2
