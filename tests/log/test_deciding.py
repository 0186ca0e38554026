"""From an explanation to the entries it changes: what can be accepted, excluded, kept, and how."""

from __future__ import annotations

import math
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from written import ROTOR, TABLES, move, read, suspect, written

import adapt
from adapt.log import deciding
from adapt.log.deciding import Change
from adapt.log.reviewing import record
from adapt.problems import BadInput, CannotBeMet

NOW = datetime(2026, 4, 1, 10, 0, tzinfo=UTC)
HOVER_2 = 0.2 * np.exp(1j * np.deg2rad(307.5))  # lateral, J1 run 2: 10:15


def log_of(path: Path) -> tuple[adapt.log.Log, adapt.log.History]:
    log = adapt.read_log(written(path))
    return log, adapt.check(ROTOR, log)


def test_a_move_on_the_wrong_blade_changes_both_blades(tmp_path: Path) -> None:
    log, history = log_of(tmp_path)
    told = suspect("2", move("A", "hub weight", 0.0), move("B", "hub weight", 40.0))
    decision = deciding.accept(ROTOR, log, history, told, 1)
    assert decision.decision == "accept"
    assert (decision.table, decision.after_run, decision.run) == ("moves", "1", "2")
    assert decision.changes == (
        Change("moves", "J1", "1", "A", "hub weight", entered="40", corrected="0"),
        Change("moves", "J1", "1", "B", "hub weight", entered="", corrected="40"),
    )


def test_clocks_stay_clocks_and_degrees_stay_degrees(tmp_path: Path) -> None:
    log, history = log_of(tmp_path)
    lead = 0.15 * np.exp(-1j * np.deg2rad(20.3))  # lag; the instrument shows 20.3 deg of lead
    told = suspect("2", read("lateral", HOVER_2 * np.exp(1j * math.pi / 6)), read("vertical", lead))
    lateral, vertical = deciding.accept(ROTOR, log, history, told, 1).changes
    assert (lateral.entered, lateral.entered_clock) == ("0.2", "10:15")
    assert (lateral.corrected, lateral.corrected_clock) == ("0.2", "11:15")
    assert (vertical.entered, vertical.entered_phase_deg) == ("0.15", "200.3")
    assert (vertical.corrected, vertical.corrected_phase_deg) == ("0.15", "20.3")


def test_a_phase_between_the_minutes_is_written_in_degrees(tmp_path: Path) -> None:
    log, history = log_of(tmp_path)
    told = suspect("2", read("lateral", 0.2 * np.exp(1j * np.deg2rad(10.25))))
    (change,) = deciding.accept(ROTOR, log, history, told, 1).changes
    assert (change.corrected_clock, change.corrected_phase_deg) == ("", "10.25")


def test_the_size_of_a_move_that_was_not_recorded_counts_beside_what_is(tmp_path: Path) -> None:
    log, history = log_of(tmp_path)
    told = suspect("2", move("A", "hub weight", None), kind="not recorded")
    decision = deciding.accept(ROTOR, log, history, told, 1, amount=-20.0)
    assert [(c.entered, c.corrected) for c in decision.changes] == [("40", "20")]
    assert decision.explanation.endswith(": -20 g")


@pytest.mark.parametrize(
    ("entries", "number", "amount", "error", "words"),
    [
        ([], 1, None, CannotBeMet, "--exclude"),
        ([move("A", "hub weight", None)], 1, None, CannotBeMet, "--amount"),
        ([move(b, "hub weight", None) for b in "AB"], 1, 5.0, CannotBeMet, "2 moves"),
        ([move("A", "hub weight", None)], 1, 0.0, BadInput, "not 0"),
        ([move("A", "hub weight", None)], 1, math.nan, BadInput, "nan"),
        ([move("A", "hub weight", -40.0)], 1, 5.0, BadInput, "expected none"),
        ([move("A", "hub weight", -40.0)], 2, None, BadInput, "explanation 2"),
        ([move("A", "hub weight", -40.0)], 0, None, BadInput, "explanation 0"),
        ([read("roll", 0.1j)], 1, None, CannotBeMet, "lateral and vertical"),
    ],
)
def test_what_cannot_be_accepted_says_why(
    entries: list[dict], number: int, amount: float | None, error: type, words: str, tmp_path: Path
) -> None:
    log, history = log_of(tmp_path)
    with pytest.raises(error, match=words):
        deciding.accept(ROTOR, log, history, suspect("2", *entries), number, amount)


def test_an_entry_is_not_corrected_twice(tmp_path: Path) -> None:
    log, history = log_of(tmp_path)
    told = suspect("2", move("A", "hub weight", -40.0))
    decision = deciding.accept(ROTOR, log, history, told, 1)
    _, after = record(ROTOR, tmp_path / "log", history, decision, NOW)
    with pytest.raises(CannotBeMet, match="review 1"):
        deciding.accept(ROTOR, log, after, told, 1)


def test_to_exclude_leaves_out_the_pair_or_the_readings_named(tmp_path: Path) -> None:
    log, history = log_of(tmp_path)
    told = suspect("2", read("lateral", -HOVER_2), kind="clock six hours")
    assert deciding.exclude(ROTOR, log, history, told).changes == ()
    (change,) = deciding.exclude(ROTOR, log, history, told, 1).changes
    assert (change.sensor, change.entered, change.corrected) == ("lateral", "0.2", "")
    for entries in ([], [move("A", "hub weight", 0.0)]):
        with pytest.raises(BadInput, match="names readings"):
            deciding.exclude(ROTOR, log, history, suspect("2", *entries), 1)


def test_a_change_that_nothing_explains_is_about_the_moves(tmp_path: Path) -> None:
    assert deciding.keep(suspect("2", kind="unexplained")).table == "moves"
    assert deciding.keep(suspect("2", read("lateral", 1j))).table == "readings"


@pytest.mark.parametrize(
    ("job", "run", "error", "words"),
    [
        ("J9", "2", BadInput, "J9"),
        ("J1", "9", BadInput, "'9'"),
        ("J1", "3", CannotBeMet, "suspect are: J1 run 2"),
    ],
)
def test_only_a_suspect_can_be_decided_on(
    job: str, run: str, error: type, words: str, tmp_path: Path
) -> None:
    _, history = log_of(tmp_path)
    told = [suspect("2", move("A", "hub weight", -40.0))]
    assert deciding.suspect_at(told, history, "J1", "2") is told[0]
    with pytest.raises(error, match=words):
        deciding.suspect_at(told, history, job, run)


def edited(table: str, rows: dict[int, str]) -> str:
    """Return a table with other lines in place of some."""
    lines = TABLES[table].splitlines()
    return "\n".join(rows.get(i, line) for i, line in enumerate(lines)) + "\n"


amounts = st.integers(-9, 9).map(lambda n: 10.0 * n)
phases = st.integers(0, 719).map(lambda n: n / 2)


@settings(max_examples=12, deadline=None)
@given(st.lists(amounts, min_size=4, max_size=4), amounts.filter(bool))
def test_an_accepted_explanation_gives_the_moves_of_a_log_entered_rightly(
    made: list[float], entered: float
) -> None:
    """made: what was really done on each blade after run 1; only one move is in the log."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        log = written(path, moves=edited("moves", {1: f"J1,1,A,hub weight,{entered:g}"}))
        history = adapt.check(ROTOR, log)
        blades = zip(ROTOR.blades, [entered, 0.0, 0.0, 0.0], made, strict=True)
        entries = [move(b, "hub weight", right) for b, was, right in blades if was != right]
        if not entries:
            return
        decision = deciding.accept(ROTOR, adapt.read_log(log), history, suspect("2", *entries), 1)
        _, after = record(ROTOR, log, history, decision, NOW)
        (path / "right").mkdir()
        rows = "\n".join(
            f"J1,1,{b},hub weight,{x:g}" for b, x in zip(ROTOR.blades, made, strict=True) if x
        )
        right = adapt.check(ROTOR, written(path / "right", moves=edited("moves", {1: rows})))
        order = ["job", "after_run", "blade", "adjuster"]
        pd.testing.assert_frame_equal(
            after.moves.sort_values(order).reset_index(drop=True),
            right.moves.sort_values(order).reset_index(drop=True),
        )


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(["lateral", "vertical"]), phases, st.floats(0.001, 1.9), st.booleans())
def test_an_accepted_explanation_gives_the_readings_of_a_log_entered_rightly(
    sensor: str, phase: float, amplitude: float, as_clock: bool
) -> None:
    """phase: what the instrument really showed, in its own convention."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        place = 3 if sensor == "lateral" else 4
        entry = f"J1,2,hover,{sensor},0.7,{'7:00,' if as_clock else ',210'}"
        log = written(path, readings=edited("readings", {place: entry}))
        history = adapt.check(ROTOR, log)
        lag = amplitude * np.exp(1j * np.deg2rad(phase))
        told = suspect("2", read(sensor, lag if sensor == "lateral" else lag.conjugate()))
        decision = deciding.accept(ROTOR, adapt.read_log(log), history, told, 1)
        _, after = record(ROTOR, log, history, decision, NOW)
        (path / "right").mkdir()
        entry = f"J1,2,hover,{sensor},{amplitude!r},,{phase!r}"
        right = adapt.check(
            ROTOR, written(path / "right", readings=edited("readings", {place: entry}))
        )
        assert list(after.readings["sensor"]) == list(right.readings["sensor"])
        np.testing.assert_allclose(
            after.readings["value"].to_numpy(), right.readings["value"].to_numpy(), rtol=1e-9
        )
