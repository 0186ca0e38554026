"""Wrong entries put into logs whose truth is known: what is found, named, and left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, invented_rotor

import adapt
from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.suspects.screening import Screened, fit_screened


@pytest.fixture(scope="module")
def known() -> tuple[Fleet, Runs]:
    rng = np.random.default_rng(20)
    made = fleet(rng, invented_rotor(blades=5, sensors=2, regimes=4), rotors=8, jobs=3, runs=5)
    return made, runs_of(made.rotor, made.history)


def screened(made: Fleet, runs: Runs) -> Screened:
    return fit_screened(made.rotor, runs, made.chart)


def pair_with_moves(runs: Runs, number: int) -> int:
    """Return the row of a run that moves led to."""
    moved = ~runs.starts & (np.abs(runs.amounts).sum(axis=(1, 2)) > 0)
    return int(np.flatnonzero(moved)[number])


def with_amounts(runs: Runs, row: int, amounts: np.ndarray) -> Runs:
    changed = runs.amounts.copy()
    changed[row] = amounts
    return replace(runs, amounts=changed)


def with_readings(runs: Runs, row: int, readings: np.ndarray) -> Runs:
    changed = runs.readings.copy()
    changed[row] = readings
    return replace(runs, readings=changed)


def test_a_log_without_mistakes_has_next_to_no_suspects(known: tuple[Fleet, Runs]) -> None:
    made, runs = known
    pairs = int((~runs.starts).sum())
    assert len(screened(made, runs).suspects) <= 0.01 * pairs + 1


def mistaken(kind: str, entered: np.ndarray) -> np.ndarray:
    """Return the moves as somebody would have written them down wrongly."""
    b, a = np.argwhere(entered != 0)[0]
    wrong, amount = entered.copy(), entered[b, a]
    if kind == "neighbouring blade":
        wrong[b, a], wrong[(b + 1) % 5, a] = 0.0, wrong[(b + 1) % 5, a] + amount
    elif kind == "other blade":
        wrong[b, a], wrong[(b + 2) % 5, a] = 0.0, wrong[(b + 2) % 5, a] + amount
    elif kind == "sign":
        wrong[b, a] = -amount
    elif kind == "not recorded":
        wrong[b, a] = 0.0
    elif kind == "not made":
        wrong[(b + 3) % 5, 1] += 6.0
    elif kind == "amount":
        wrong[b, a] = 10.0 * amount
    elif kind == "blade order":
        wrong = entered[(-np.arange(5)) % 5]
    return wrong


@pytest.mark.parametrize("number", [3, 40, 71])
@pytest.mark.parametrize(
    "kind",
    ["neighbouring blade", "other blade", "sign", "not recorded", "not made", "amount",
     "blade order"],
)  # fmt: skip
def test_a_wrong_move_is_found_and_named(known: tuple[Fleet, Runs], kind: str, number: int) -> None:
    made, runs = known
    row = pair_with_moves(runs, number)
    wrong = mistaken(kind, runs.amounts[row])
    assert not np.array_equal(wrong, runs.amounts[row])
    found = screened(made, with_amounts(runs, row, wrong))
    suspect = next(s for s in found.suspects if s.row == row)
    assert suspect.probability > 0.9
    # the mistake itself is among what is told, or another that comes to the same moves
    truth = runs.amounts[row]
    assert any(
        m.kind == kind or (m.change is not None and np.allclose(wrong + m.change, truth))
        for m, _ in suspect.explanations
    )
    held = {(runs.jobs[runs.job[row]], runs.names[row - 1])}
    assert found.coefficients.withheld >= held
    assert not found.coefficients.taught & held


@pytest.mark.parametrize(
    "kind", ["clock six hours", "clock one hour", "lead for lag", "sensors swapped"]
)
def test_a_wrong_reading_is_found_and_named(known: tuple[Fleet, Runs], kind: str) -> None:
    made, runs = known
    regimes = len(made.rotor.regimes)
    row = next(
        r for r in range(30, len(runs)) if np.abs(runs.readings[r]).min() > 0.25 and
        np.abs(np.angle(runs.readings[r][:regimes] ** 2)).min() > 0.6
    )  # fmt: skip
    wrong = runs.readings[row].copy()
    if kind == "clock six hours":
        wrong[1] = -wrong[1]
    elif kind == "clock one hour":
        wrong[:regimes] *= np.exp(1j * np.pi / 6)
    elif kind == "lead for lag":
        wrong[:regimes] = wrong[:regimes].conj()
    else:
        wrong = np.concatenate([wrong[regimes:], wrong[:regimes]])
    found = screened(made, with_readings(runs, row, wrong))
    suspect = next(s for s in found.suspects if s.row == row)
    assert suspect.kind == kind
    assert suspect.probability > 0.9


def test_suspect_pairs_do_not_bend_the_coefficients(known: tuple[Fleet, Runs]) -> None:
    made, runs = known
    rng = np.random.default_rng(4)
    wrong = runs
    for number in rng.choice(60, 9, replace=False):
        row = pair_with_moves(runs, int(number))
        wrong = with_amounts(wrong, row, mistaken("sign", runs.amounts[row]))
    clean = screened(made, runs).coefficients
    kept = screened(made, wrong).coefficients
    off = np.abs(kept.type_.mean - clean.type_.mean)
    sd = np.sqrt(np.einsum("jaa->ja", clean.type_.cov).real)
    assert (off < 1.5 * sd).mean() > 0.95
    assert kept.noise.run_var + 2 * kept.noise.reading_var == pytest.approx(
        clean.noise.run_var + 2 * clean.noise.reading_var, rel=0.4
    )


def test_two_explanations_that_read_the_same_are_both_told() -> None:
    # on four blades and without track, the sign and the opposite blade cannot be told apart
    rng = np.random.default_rng(8)
    made = fleet(rng, invented_rotor(blades=4, track=False), rotors=6, jobs=3, runs=5, moves=1)
    runs = runs_of(made.rotor, made.history)
    row = pair_with_moves(runs, 20)
    wrong = with_amounts(runs, row, -runs.amounts[row])
    suspect = next(s for s in screened(made, wrong).suspects if s.row == row)
    told = {mistake.kind for mistake, _ in suspect.explanations}
    assert {"sign", "other blade"} <= told


def test_an_explanation_says_what_would_have_been_entered_rightly() -> None:
    rng = np.random.default_rng(9)
    made = fleet(rng, invented_rotor(blades=5), rotors=6, jobs=3, runs=5)
    moves = made.history.moves.copy()
    job, after, blade, adjuster, amount = moves.loc[10]
    moves.loc[10, "amount"] = -amount
    told = adapt.learn(made.rotor, replace(made.history, moves=moves), made.chart).suspects[0]
    same = (moves["job"] == job) & (moves["after_run"] == after) & (moves["blade"] == blade)
    same &= moves["adjuster"] == adjuster
    assert told["explanations"][0]["entries"] == [
        {
            "table": "moves",
            "job": job,
            "after_run": after,
            "blade": blade,
            "adjuster": adjuster,
            "amount": pytest.approx(made.history.moves.loc[same, "amount"].sum()),
        }
    ]


def test_a_wrong_reading_says_what_was_really_read(known: tuple[Fleet, Runs]) -> None:
    made, runs = known
    row = next(r for r in range(30, len(runs)) if np.abs(runs.readings[r]).min() > 0.25)
    wrong = runs.readings[row].copy()
    wrong[1] = -wrong[1]
    rows = screened(made, with_readings(runs, row, wrong)).coefficients.suspects
    told = next(s for s in rows if (s["job"], s["run"]) == place(runs, row))
    sensor, regime = made.rotor.channels[1]
    truth = runs.readings[row, 1]
    assert told["explanations"][0]["entries"] == [
        {
            "table": "readings",
            "job": told["job"],
            "run": told["run"],
            "sensor": sensor,
            "regime": regime,
            "real": pytest.approx(truth.real),
            "imag": pytest.approx(truth.imag),
        }
    ]


def place(runs: Runs, row: int) -> tuple[str, str]:
    return runs.jobs[runs.job[row]], runs.names[row]


def test_held_back_pairs_are_listed_and_not_taken_in_later() -> None:
    rng = np.random.default_rng(9)
    made = fleet(rng, invented_rotor(blades=5), rotors=6, jobs=3, runs=5)
    moves = made.history.moves.copy()
    moves.loc[10, "amount"] *= -1
    history = replace(made.history, moves=moves)
    learned = adapt.learn(made.rotor, history, made.chart)
    assert [s["kind"] for s in learned.suspects] == ["sign"]
    suspect = learned.suspects[0]
    assert (suspect["job"], suspect["after_run"]) == tuple(moves.loc[10, ["job", "after_run"]])
    assert (suspect["job"], suspect["after_run"]) in learned.withheld
    after = adapt.update(learned, made.rotor, history)
    assert after.taught == learned.taught
    assert any("held back" in note for note in learned.notes)
