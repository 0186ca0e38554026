"""Hardware that was changed: what stays of what was learned, against dense normal laws."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_fleet import Fleet, fleet, history

from adapt.learning.replaced import (
    AIRFRAME_SHARE,
    HARDWARE_SHARE,
    chained,
    discounted,
    doubts_of,
    kept_notes,
    stretches_of,
)
from adapt.learning.rows.runs import runs_of
from adapt.log import History


def drawn(seed: int, stretches: int, adjusters: int) -> tuple[list, list, np.ndarray]:
    """Return X and y of stretches of unit noise, and a covariance D."""
    rng = np.random.default_rng(seed)

    def circular(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    x = [circular(int(rng.integers(1, 6)), adjusters) for _ in range(stretches)]
    y = [circular(len(one)) for one in x]
    root = circular(adjusters, adjusters)
    return x, y, root @ root.conj().T + 0.1 * np.eye(adjusters)


@given(st.integers(0, 10_000), st.integers(1, 4), st.integers(1, 3))
def test_a_chain_of_changes_gives_the_dense_posterior_of_todays_coefficients(
    seed: int, stretches: int, adjusters: int
) -> None:
    """All stretches' coefficients as one vector: today's, and what each change added before it."""
    x, y, spread = drawn(seed, stretches, adjusters)
    rng = np.random.default_rng(seed + 1)
    share = rng.choice([0.0, 0.25, 0.5, 2.0], stretches)
    h, b = chained(
        np.array([a.conj().T @ a for a in x]),
        np.array([a.conj().T @ v for a, v in zip(x, y, strict=True)]),
        share, spread,
    )  # fmt: skip
    # Rows of stretch k hold c_now - sum of the changes after k.
    big = np.concatenate(x)
    noise = np.eye(len(big), dtype=complex)
    at = np.cumsum([0, *(len(a) for a in x)])
    for k in range(stretches):
        before = np.zeros_like(big)
        before[: at[k + 1]] = big[: at[k + 1]]
        noise += share[k] * before @ spread @ before.conj().T
    inverse = np.linalg.inv(noise)
    np.testing.assert_allclose(h, big.conj().T @ inverse @ big, rtol=1e-8, atol=1e-9)
    values = np.concatenate(y)
    np.testing.assert_allclose(b, big.conj().T @ inverse @ values, rtol=1e-8, atol=1e-9)


def test_a_discount_takes_units_and_channels_at_once() -> None:
    parts = [drawn(seed, 1, 2) for seed in range(6)]
    h = np.array([x[0].conj().T @ x[0] for x, _, _ in parts]).reshape(2, 3, 2, 2)
    b = np.array([x[0].conj().T @ y[0] for x, y, _ in parts]).reshape(2, 3, 2)
    delta = np.array([d for _, _, d in parts]).reshape(2, 3, 2, 2)
    less, heard = discounted(h, b, delta)
    for i in range(2):
        for j in range(3):
            # In information form: (H^-1 + Delta)^-1, where H has an inverse.
            one = np.linalg.inv(np.linalg.pinv(h[i, j]) + delta[i, j])
            if np.linalg.matrix_rank(h[i, j]) == 2:
                np.testing.assert_allclose(less[i, j], one, rtol=1e-8)
            alone, also = discounted(h[i, j], b[i, j], delta[i, j])
            np.testing.assert_allclose(less[i, j], alone, rtol=1e-10)
            np.testing.assert_allclose(heard[i, j], also, rtol=1e-10)


def test_a_chain_takes_units_and_channels_at_once() -> None:
    """Two units whose hardware changed at other times, three channels with spreads of their own."""
    h, b = np.zeros((2, 2, 3, 2, 2), dtype=complex), np.zeros((2, 2, 3, 2), dtype=complex)
    for k, u, j in np.ndindex(2, 2, 3):
        x, y, _ = drawn(10 * k + u + 100 * j, 1, 2)
        h[k, u, j], b[k, u, j] = x[0].conj().T @ x[0], x[0].conj().T @ y[0]
    spread = np.array([drawn(j, 1, 2)[2] for j in range(3)])
    share = np.array([[0.25, 0.0], [0.0, 0.5]])
    total, heard = chained(h, b, share[:, :, None], spread)
    for u in range(2):
        for j in range(3):
            one, also = chained(h[:, u, j], b[:, u, j], share[:, u], spread[j])
            np.testing.assert_allclose(total[u, j], one, rtol=1e-10)
            np.testing.assert_allclose(heard[u, j], also, rtol=1e-10)


def test_nothing_changed_and_everything_changed_are_the_ends() -> None:
    x, y, spread = drawn(3, 1, 2)
    h, b = x[0].conj().T @ x[0], x[0].conj().T @ y[0]
    same, heard = discounted(h, b, 0.0 * spread)
    np.testing.assert_allclose(same, h)
    np.testing.assert_allclose(heard, b)
    gone, unheard = discounted(h, b, 1e12 * spread)
    assert np.abs(gone).max() < 1e-9
    assert np.abs(unheard).max() < 1e-9


def with_events(f: Fleet, *events: tuple[str, str, str], aircraft: dict[str, str]) -> History:
    """Return the history with events (job, after_run, kind) and the aircraft of each job."""
    table = history([], [], events=[(*event, "", "") for event in events]).events
    runs = f.history.runs
    return replace(f.history, events=table, runs=runs.assign(aircraft=runs.job.map(aircraft)))


def test_doubts_stand_before_the_first_run_after_a_change() -> None:
    f = fleet(np.random.default_rng(1), rotors=3, jobs=3, runs=3)
    log = with_events(
        f,
        ("J000-0", "1", "hardware changed"),
        ("J000-0", "2", "hardware changed"),
        ("J000-1", "0", "other"),
        ("J002-2", "2", "hardware changed"),
        aircraft={"J001-0": "OV-1", "J001-2": "OV-2"},
    )
    runs = runs_of(f.rotor, log)
    before, since = doubts_of(runs, log)
    stretch, share = stretches_of(runs, before, since)
    assert stretch.tolist() == [0, 0, 1, *[2] * 6, *[0] * 6, *[1] * 3, *[0] * 9]
    np.testing.assert_array_equal(
        share,
        [
            [HARDWARE_SHARE, AIRFRAME_SHARE, HARDWARE_SHARE],
            [HARDWARE_SHARE, 0.0, 0.0],
            [0.0, 0.0, 0.0],
        ],
    )
    expected = np.zeros(27)
    expected[2] = HARDWARE_SHARE
    expected[3] = HARDWARE_SHARE
    expected[15] = AIRFRAME_SHARE
    np.testing.assert_array_equal(before, expected)
    np.testing.assert_array_equal(since, [0.0, 0.0, HARDWARE_SHARE])
    # The last rotor's last event is not the next rotor's.
    log = with_events(f, ("J001-2", "2", "hardware changed"), aircraft={})
    before, since = doubts_of(runs_of(f.rotor, log), log)
    assert not before.any()
    np.testing.assert_array_equal(since, [0.0, HARDWARE_SHARE, 0.0])


def test_it_is_said_what_is_kept() -> None:
    f = fleet(np.random.default_rng(1), rotors=3, jobs=2, runs=2)
    log = with_events(
        f,
        ("J000-0", "0", "hardware changed"),
        aircraft={"J000-0": "OV-1", "J001-0": "OV-1", "J001-1": "OV-2", "J002-0": "OV-2"},
    )
    notes = kept_notes(runs_of(f.rotor, log), log)
    assert any("hardware changed on R000" in n and "25%" in n for n in notes)
    assert any("R001 went from aircraft OV-1 to OV-2" in n and "50%" in n for n in notes)
    assert sum("has had several rotors" in n for n in notes) == 2
    assert any("OV-1" in n and "R000, R001" in n for n in notes)


@pytest.mark.parametrize("column", [True, False])
def test_a_log_that_names_no_aircraft_leaves_no_doubt(column: bool) -> None:
    f = fleet(np.random.default_rng(1), rotors=2, jobs=2, runs=2)
    log = with_events(f, aircraft={}) if column else f.history
    runs = runs_of(f.rotor, log)
    assert not doubts_of(runs, log)[0].any()
    assert kept_notes(runs, log) == ()
    empty = history([], [])
    assert doubts_of(runs_of(f.rotor, empty), empty)[0].shape == (0,)
