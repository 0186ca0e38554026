"""What reviews do to learning: entries corrected, pairs left out or kept, older coefficients."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_fleet import Fleet, fleet, history, invented_rotor

import adapt
from adapt.coefficients import Coefficients, read_coefficients, write_coefficients
from adapt.coefficients.reviewed import require_reviews, review_notes
from adapt.delimited import write_csv
from adapt.log import History, deciding
from adapt.log.reviewing import record, take_back
from adapt.phasor import phase_deg
from adapt.planning.job.standing import standing_of
from adapt.problems import BadInput

NOW = datetime(2026, 4, 1, 10, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def known() -> Fleet:
    rng = np.random.default_rng(9)
    return fleet(rng, invented_rotor(blades=5), rotors=6, jobs=3, runs=5)


@pytest.fixture(scope="module")
def wrong(known: Fleet) -> tuple[History, pd.Series]:
    """A log in which one move has the wrong sign, and the move as it was entered."""
    moves = known.history.moves.copy()
    moves.loc[10, "amount"] *= -1
    return replace(known.history, moves=moves), moves.loc[10]


def alike(a: Coefficients, b: Coefficients, rtol: float = 1e-9) -> None:
    for one, other in ((a.type_, b.type_), *((a.of(r), b.of(r)) for r in a.rotors)):
        for name in ("mean", "joint", "track_mean", "track_joint"):
            x, y = getattr(one, name), getattr(other, name)
            np.testing.assert_allclose(x, y, rtol=rtol, atol=rtol * np.abs(y).max())
        np.testing.assert_array_equal(one.pairs, other.pairs)
    np.testing.assert_allclose(a.noise.run_var, b.noise.run_var, rtol=rtol)
    np.testing.assert_allclose(a.noise.reading_var, b.noise.reading_var, rtol=rtol)


def folder_of(path: Path, history: History) -> Path:
    """Write a history into a log folder."""
    log = path / "log"
    log.mkdir(parents=True)
    readings = history.readings
    phase = phase_deg(readings["value"].to_numpy())
    tables = {
        "runs": history.runs[["rotor", "job", "run", "started"]],
        "readings": readings[["job", "run", "regime", "sensor"]].assign(
            amplitude=readings["value"].abs(), phase_deg=phase
        ),
        "track": history.track[["job", "run", "regime", "blade", "height"]],
        "moves": history.moves.groupby(
            ["job", "after_run", "blade", "adjuster"], as_index=False, sort=False
        )["amount"].sum(),
    }
    for name, frame in tables.items():
        rows = frame.assign(**{c: frame[c].astype(str) for c in ("started",) if c in frame})
        write_csv(log / f"{name}.csv", list(frame.columns), rows.itertuples(index=False))
    return log


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 1000), number=st.integers(0, 200), of_moves=st.booleans())
def test_to_accept_is_to_have_entered_it_rightly_and_to_undo_is_to_have_done_nothing(
    seed: int, number: int, of_moves: bool
) -> None:
    rotor = invented_rotor(blades=4, sensors=2, regimes=2)
    made = fleet(np.random.default_rng(seed), rotor, rotors=3, jobs=2, runs=5)
    with tempfile.TemporaryDirectory() as name:
        right = folder_of(Path(name) / "right", made.history)
        log = folder_of(Path(name) / "wrong", made.history)
        table = pd.read_csv(log / ("moves.csv" if of_moves else "readings.csv"), dtype=str)
        at = number % len(table)
        row = table.loc[at]
        place = {"job": row["job"], "run": str(row.get("run", ""))}
        if of_moves:
            table.loc[at, "amount"] = str(-float(row["amount"]))
            entry = {"table": "moves", "amount": float(row["amount"])}
            entry |= {c: row[c] for c in ("job", "after_run", "blade", "adjuster")}
            place["run"] = str(int(row["after_run"]) + 1)
        else:
            table.loc[at, "phase_deg"] = str((float(row["phase_deg"]) + 180.0) % 360.0)
            lag = float(row["amplitude"]) * np.exp(1j * np.deg2rad(float(row["phase_deg"])))
            entry = {"table": "readings", "real": lag.real, "imag": lag.imag}
            entry |= {c: row[c] for c in ("job", "run", "sensor", "regime")}
        table.to_csv(log / ("moves.csv" if of_moves else "readings.csv"), index=False)
        before = {f.name: f.read_bytes() for f in log.iterdir()}
        told = {"kind": "sign", "text": "-", "probability": 1.0, "entries": [entry]}
        first = max(int(place["run"]) - 1, 0)
        suspect = {**place, "after_run": str(first), "kind": "sign", "explanations": [told]}
        history = adapt.check(rotor, log)
        assert not history.faults
        decision = deciding.accept(rotor, adapt.read_log(log), history, suspect, 1)
        _, after = record(rotor, log, history, decision, NOW)
        alike(adapt.learn(rotor, after, made.chart), adapt.learn(rotor, right, made.chart), 1e-7)
        take_back(log, place["job"], place["run"])
        assert {f.name: f.read_bytes() for f in log.iterdir()} == before


def split(history: History, job: str, after_run: str) -> History:
    """Return a history in which a job ends at a run and another begins with the next."""
    runs = history.runs
    of_job = runs.loc[runs["job"] == job, "run"]
    later = {(job, run) for run in of_job if int(run) > int(after_run)}

    def named(frame: pd.DataFrame, column: str = "run") -> pd.DataFrame:
        at = [key in later for key in zip(frame["job"], frame[column], strict=True)]
        return frame.assign(job=frame["job"].mask(at, f"{job} again"))

    moves = history.moves
    between = (moves["job"] == job) & (moves["after_run"] == after_run)
    return replace(
        history, runs=named(runs), readings=named(history.readings), track=named(history.track),
        moves=named(moves[~between], "after_run"),
    )  # fmt: skip


@pytest.mark.parametrize("after_run", ["0", "2", "3"])
def test_to_exclude_a_pair_is_to_split_the_job_there(known: Fleet, after_run: str) -> None:
    job = "J002-1"
    history = replace(known.history, left_out=frozenset({(job, after_run)}))
    apart = split(known.history, job, after_run)
    excluded = adapt.learn(known.rotor, history, known.chart)
    alike(excluded, adapt.learn(known.rotor, apart, known.chart))
    assert (job, after_run) not in excluded.taught
    # what a plan starts from is what it starts from in the second part
    here = standing_of(known.rotor, excluded, history, job)
    there = standing_of(known.rotor, excluded, apart, f"{job} again")
    for name in ("offset", "own_var", "slope"):
        np.testing.assert_allclose(
            getattr(here.vibration, name), getattr(there.vibration, name), atol=1e-12
        )


def test_a_pair_left_out_is_not_predicted_over_in_comparing(known: Fleet) -> None:
    history = replace(known.history, left_out=frozenset({("J002-1", "2")}))
    rows = adapt.compare(known.rotor, history, known.chart, grown=4.0).predictions
    assert set(rows.loc[rows["job"] == "J002-1", "run"]) == {"1", "2", "4"}


def test_a_suspect_pair_that_is_kept_teaches_and_is_not_listed_again(
    known: Fleet, wrong: tuple[History, pd.Series]
) -> None:
    history, row = wrong
    pair = (row["job"], row["after_run"])
    suspected = adapt.learn(known.rotor, history, known.chart)
    assert pair in suspected.withheld
    kept = adapt.learn(known.rotor, replace(history, kept=frozenset({pair})), known.chart)
    assert pair in kept.taught
    assert pair not in kept.withheld
    assert pair not in {(s["job"], s["after_run"]) for s in kept.suspects}
    assert any("1 pair was found right as entered" in note for note in kept.notes)


def corrected(history: History, row: pd.Series) -> History:
    """Return the history as a review of a wrong sign leaves it."""
    moves = history.moves.copy()
    moves.loc[10, "amount"] *= -1
    told = {
        "review": "1", "table": "moves", "job": row["job"], "run": row["after_run"],
        "blade": row["blade"], "adjuster": row["adjuster"], "sensor": "", "regime": "",
        "entered": complex(row["amount"]), "corrected": complex(-row["amount"]),
    }  # fmt: skip
    return replace(history, moves=moves, corrections=pd.DataFrame([told]))


def test_coefficients_from_before_take_a_pair_in_when_its_review_is_there(
    known: Fleet, wrong: tuple[History, pd.Series], tmp_path: Path
) -> None:
    history, row = wrong
    pair = (row["job"], row["after_run"])
    write_coefficients(adapt.learn(known.rotor, history, known.chart), tmp_path / "c.json")
    before = read_coefficients(tmp_path / "c.json", known.rotor)
    assert pair not in adapt.update(before, known.rotor, history).taught
    for after in (corrected(history, row), replace(history, kept=frozenset({pair}))):
        updated = adapt.update(before, known.rotor, after)
        assert pair in updated.taught
        assert pair not in updated.withheld
        require_reviews(updated, after)


def test_coefficients_that_an_entry_taught_before_its_review_are_refused(
    known: Fleet, wrong: tuple[History, pd.Series]
) -> None:
    history, row = wrong
    after = corrected(history, row)
    learned = adapt.learn(known.rotor, after, known.chart)
    adapt.update(learned, known.rotor, after)
    # taken back, the entry says something else than what taught
    for now in (history, replace(after, left_out=frozenset({(row["job"], row["after_run"])}))):
        with pytest.raises(BadInput, match="learn again"):
            adapt.update(learned, known.rotor, now)
        with pytest.raises(BadInput, match="learn again"):
            adapt.plan(known.rotor, learned, now, job="J000-2")
    kept = frozenset({(row["job"], row["after_run"])})
    of_kept = adapt.learn(known.rotor, replace(history, kept=kept), known.chart)
    with pytest.raises(BadInput, match="learn again"):
        adapt.update(of_kept, known.rotor, history)  # its entry is in doubt again
    adapt.update(learned, known.rotor, replace(after, kept=kept))  # what taught was right
    # a log of other jobs says nothing about it
    other = {
        name: frame[frame["job"] == "J005-2"]
        for name in ("runs", "readings", "track", "moves", "corrections")
        if (frame := getattr(after, name)) is not None
    }
    require_reviews(learned, replace(after, **other))


def test_a_plan_says_that_its_job_is_not_used_as_entered(
    known: Fleet, wrong: tuple[History, pd.Series]
) -> None:
    history, row = wrong
    after = corrected(history, row)
    learned = adapt.learn(known.rotor, after, known.chart)
    plan = adapt.plan(known.rotor, learned, after, job=row["job"], aim="smoothest", most_moves=1)
    assert any("as review 1 corrected the log" in note for note in plan.notes)
    after = replace(history, left_out=frozenset({(row["job"], row["after_run"])}))
    learned = adapt.learn(known.rotor, after, known.chart)
    plan = adapt.plan(known.rotor, learned, after, job=row["job"], aim="smoothest", most_moves=1)
    assert any(f"left out what happened after run {row['after_run']}" in n for n in plan.notes)


def test_notes_say_what_reviews_left_out_in_words_that_fit_its_number() -> None:
    log = history([("R1", "J1", str(k), "2026-01-01") for k in range(4)], [])
    one = replace(log, left_out=frozenset({("J1", "0")}))
    two = replace(log, left_out=frozenset({("J1", "0"), ("J1", "1")}))
    start = "reviews of suspect entries: nothing is learned from "
    assert review_notes(one) == [start + "1 pair that was left out"]
    assert review_notes(two) == [start + "2 pairs that were left out"]
    assert review_notes(log) == []
