"""What the robust fit makes of rough runs and gusts, of normal logs, and of logs with little."""

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, history, invented_rotor
from scipy.stats import binom

from adapt.coefficients import Coefficients
from adapt.learning import learn, update
from adapt.learning.changed_hardware import as_changed
from adapt.learning.fitting.learner import fit
from adapt.learning.robust.reweighting import fit_robust
from adapt.learning.rows.runs import Runs, runs_of
from adapt.learning.rows.weights import Weight, Weights

SDS = 5.0  # of a rough run or a gust
SEEDS = range(4)


def drawn(seed: int, **change: float) -> tuple[Fleet, Runs]:
    f = fleet(np.random.default_rng(seed), **{"rotors": 15, "jobs": 2, "runs": 5} | change)
    return f, runs_of(f.rotor, f.history)


def rough(f: Fleet, runs: Runs, seed: int) -> tuple[Runs, np.ndarray]:
    """Return the runs with one in twenty rough in all its readings, and which (run,)."""
    rng = np.random.default_rng([seed, 1])
    chosen = rng.random(len(runs)) < 0.05
    sd = np.sqrt(SDS**2 - 1) * np.where(chosen, 1.0, 0.0)[:, None]
    more = f.reading_sd * sd * circular(rng, runs.readings.shape)
    heights = f.track_reading_sd * sd[:, :, None] * rng.standard_normal(runs.heights.shape)
    heights = heights - heights.mean(axis=2, keepdims=True)
    return replace(
        runs, readings=runs.readings + more, heights=runs.heights + heights
    ), chosen  # fmt: skip


def gusty(f: Fleet, runs: Runs, seed: int) -> tuple[Runs, np.ndarray]:
    """Return the runs with one in twenty of their changes a gust in all channels, and which."""
    rng = np.random.default_rng([seed, 2])
    chosen = (rng.random(len(runs)) < 0.05) & ~runs.starts
    sd = np.sqrt(SDS**2 - 1) * np.where(chosen, 1.0, 0.0)[:, None]
    jump = f.run_sd * sd * circular(rng, runs.readings.shape)
    # From a gust on, every reading of its job has moved.
    more = np.zeros_like(jump)
    for k in range(1, len(runs)):
        more[k] = jump[k] + (0.0 if runs.starts[k] else more[k - 1])
    return replace(runs, readings=runs.readings + more), chosen


def circular(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)


def error(f: Fleet, c: Coefficients) -> float:
    """Return the rms of the rotors' coefficients from the truth over |c|."""
    off = np.array([c.rotors[f"R{i:03d}"].mean for i in range(len(f.own))]) - f.own
    return float(np.sqrt((np.abs(off / f.type_) ** 2).mean()))


def track_error(f: Fleet, c: Coefficients) -> float:
    off = np.array([c.rotors[f"R{i:03d}"].track_mean for i in range(len(f.own))]) - f.track_own
    return float(np.sqrt((off[:, :, 1:] ** 2).mean()))


def inside(f: Fleet, c: Coefficients) -> np.ndarray:
    """Return which 95 % intervals of the rotors' coefficients hold."""
    found = []
    for i in range(len(f.own)):
        known = c.rotors[f"R{i:03d}"]
        sd = np.sqrt(np.einsum("jaa->ja", known.cov).real / 2)
        off = known.mean - f.own[i]
        found += [np.abs(part / sd) < 1.96 for part in (off.real, off.imag)]
    return np.array(found)


def covered(held: np.ndarray) -> bool:
    """Return whether a share of intervals is 95 % within chance, a quarter of them independent."""
    low, high = binom.ppf([0.001, 0.999], held.size // 4, 0.95) / (held.size // 4)
    return bool(low <= held.mean() <= high)


Fits = list[tuple[Fleet, np.ndarray, Coefficients, Coefficients]]


def fits(spoil) -> Fits:
    """Return fleets, which runs were spoiled, and what the normal and the robust fit learned."""
    found = []
    for seed in SEEDS:
        f, runs = drawn(seed)
        spoiled, chosen = spoil(f, runs, seed)
        both = [one(f.rotor, spoiled, f.chart)[0] for one in (fit, fit_robust)]
        found.append((f, chosen, *both))
    return found


@pytest.fixture(scope="module")
def of_rough() -> Fits:
    return fits(rough)


@pytest.fixture(scope="module")
def of_gusty() -> Fits:
    return fits(gusty)


@pytest.mark.parametrize("kind", ["of_rough", "of_gusty"])
def test_rough_runs_and_gusts_bend_the_robust_fit_less(
    kind: str, request: pytest.FixtureRequest
) -> None:
    found: Fits = request.getfixturevalue(kind)
    plain = np.array([error(f, normal) for f, _, normal, _ in found])
    robust = np.array([error(f, weighed) for f, _, _, weighed in found])
    assert robust.mean() < 0.98 * plain.mean()
    assert (robust < 1.02 * plain).all()
    assert covered(np.array([inside(f, weighed) for f, _, _, weighed in found]))


def test_rough_heights_bend_track_less(of_rough: Fits) -> None:
    plain = np.mean([track_error(f, normal) for f, _, normal, _ in of_rough])
    robust = np.mean([track_error(f, weighed) for f, _, _, weighed in of_rough])
    assert robust < 0.98 * plain


def test_the_noise_reported_is_that_of_an_average_run(of_rough: Fits) -> None:
    """Of all runs together, for what is predicted and taken in later counts as one of them."""
    ratios = [
        np.median(weighed.noise.reading_var / 2)
        / (f.reading_sd**2 * (1 + (SDS**2 - 1) * chosen.mean()))
        for f, chosen, _, weighed in of_rough
    ]
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.2)


def test_on_normal_logs_it_is_as_near_and_its_intervals_hold() -> None:
    held = []
    for seed in SEEDS:
        f, runs = drawn(seed)
        plain, found = fit(f.rotor, runs, f.chart)[0], fit_robust(f.rotor, runs, f.chart)[0]
        assert error(f, found) == pytest.approx(error(f, plain), rel=0.03)
        held.append(inside(f, found))
    assert covered(np.array(held))


@pytest.mark.parametrize(("spoil", "kind"), [(rough, "readings"), (gusty, "steps")])
def test_the_spoiled_runs_are_the_ones_that_count_less(spoil, kind: str) -> None:
    f, runs = drawn(1)
    spoiled, chosen = spoil(f, runs, 1)
    found = fit_robust(f.rotor, spoiled, f.chart)[0]
    assert found.origin["robust"] is True
    freedom = found.origin["robust_freedom"]
    assert freedom[kind] < 40
    assert freedom["steps" if kind == "readings" else "readings"] is None
    what = "readings of" if kind == "readings" else "changes from the run before of"
    (note,) = [n for n in found.notes if n.startswith(f"robust fit: {what}")]
    named = {(f"J{i:03d}-{j}", str(k)) for i in range(15) for j in range(2) for k in range(5)
             if f"J{i:03d}-{j} run {k} (" in note}  # fmt: skip
    truly = {(runs.jobs[runs.job[k]], runs.names[k]) for k in np.flatnonzero(chosen)}
    assert named
    assert len(named & truly) >= 0.8 * len(named)


def weighed(runs: Runs, reading: np.ndarray | None, step: np.ndarray | None) -> Weights:
    return Weights(Weight(reading, step), Weight())


def test_a_reading_of_weight_four_counts_as_the_mean_of_four() -> None:
    f, runs = drawn(2)
    number = np.random.default_rng(1).integers(1, 5, len(runs)).astype(float)
    repeated = replace(runs, repeats=np.repeat(number[:, None], runs.readings.shape[1], axis=1))
    one = fit(f.rotor, repeated, f.chart)[0]
    other = fit(f.rotor, runs, f.chart, weights=weighed(runs, number, None))[0]
    np.testing.assert_allclose(other.rotors["R003"].mean, one.rotors["R003"].mean, rtol=1e-9)
    np.testing.assert_allclose(other.rotors["R003"].joint, one.rotors["R003"].joint, rtol=1e-9)
    np.testing.assert_allclose(other.noise.reading_var, one.noise.reading_var, rtol=1e-9)


def test_a_step_of_weight_a_third_counts_as_three_steps() -> None:
    """As if two runs had been flown in between that nobody read."""
    f, runs = drawn(2, rotors=5, jobs=1, runs=4)
    table = f.history.runs
    extra = table[table.run == "2"]
    later = table.started.where(table.run != "3", table.started + np.timedelta64(9, "h"))
    rows = [table.assign(started=later)]
    for k in (1, 2):
        started = extra.started + k * np.timedelta64(2, "h")
        rows.append(extra.assign(run=f"unread {k}", started=started))
    whole = type(table)(np.concatenate([r.to_numpy() for r in rows]), columns=table.columns)
    whole = whole.sort_values(["rotor", "started"], kind="stable")
    whole["started"] = whole.started.astype("datetime64[ns]")
    # The moves after run 2 now stand before the unread runs; their sum is what counts.
    gapped = runs_of(f.rotor, replace(f.history, runs=whole))
    assert len(gapped) == len(runs) + 10
    step = np.where(np.array(runs.names) == "3", 1 / 3, 1.0)
    one = fit(f.rotor, gapped, f.chart)[0]
    weights = Weights(Weight(None, step), Weight(None, step))
    other = fit(f.rotor, runs, f.chart, weights=weights)[0]
    np.testing.assert_allclose(other.rotors["R003"].mean, one.rotors["R003"].mean, rtol=1e-6)
    np.testing.assert_allclose(other.noise.run_var, one.noise.run_var, rtol=1e-6)
    track = other.rotors["R003"].track_mean, one.rotors["R003"].track_mean
    np.testing.assert_allclose(*track, rtol=1e-6)


def test_nothing_to_learn_from_breaks_nothing() -> None:
    f = fleet(np.random.default_rng(1), rotors=1)
    nothing = runs_of(f.rotor, history([], []))
    one = fit_robust(f.rotor, nothing, f.chart)[0]
    np.testing.assert_allclose(one.type_.mean, f.chart.mean, rtol=1e-12)
    single, runs = drawn(1, rotors=3, runs=1)
    found = fit_robust(single.rotor, runs, single.chart)[0]
    np.testing.assert_allclose(found.rotors["R001"].mean, single.chart.mean, rtol=1e-9)
    assert np.isnan(fit_robust(f.rotor, nothing)[0].type_.mean).all()


@pytest.mark.parametrize("runs", [2, 5])
def test_one_channel_of_one_rotor_is_learned(runs: int) -> None:
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=1, track=False)
    f = fleet(np.random.default_rng(3), rotor, rotors=1, jobs=2, runs=runs)
    flown = runs_of(rotor, f.history)
    plain, found = fit(rotor, flown, f.chart)[0], fit_robust(rotor, flown, f.chart)[0]
    sd = np.sqrt(plain.rotors["R000"].cov.real[0, 0, 0] / 2)
    assert np.abs(found.rotors["R000"].mean - plain.rotors["R000"].mean).max() < 2 * sd


def test_readings_without_any_scatter_give_exact_coefficients() -> None:
    f, runs = drawn(15, rotors=8, jobs=4, runs=6, run_sd=0.0, reading_sd=0.0)
    assert error(f, fit_robust(f.rotor, runs, f.chart)[0]) < 1e-3


def test_missing_readings_and_inexact_moves_are_weighed_too() -> None:
    rotor = invented_rotor()
    link = replace(rotor.adjusters[1], amount_sd=0.4)
    rotor = replace(rotor, adjusters=(rotor.adjusters[0], link, rotor.adjusters[2]))
    plain, robust = [], []
    for seed in range(2):
        f = fleet(np.random.default_rng(seed), rotor, rotors=8, missing=0.3)
        spoiled, _ = rough(f, runs_of(rotor, f.history), seed)
        plain.append(error(f, fit(rotor, spoiled, f.chart)[0]))
        robust.append(error(f, fit_robust(rotor, spoiled, f.chart)[0]))
    assert np.mean(robust) < np.mean(plain)


def test_one_run_far_off_teaches_next_to_nothing() -> None:
    """The influence of one rough run falls with its size; in the normal fit it grows."""
    f, runs = drawn(4)
    at = int(np.flatnonzero(~runs.starts)[7])
    clean = fit(f.rotor, runs, f.chart)[0]
    far = []
    for size in (5.0, 100.0):
        readings = runs.readings.copy()
        off = circular(np.random.default_rng(9), readings[at].shape)
        readings[at] += size * f.reading_sd * off
        spoiled = replace(runs, readings=readings)
        serial = runs.serials[runs.rotor[at]]
        found = [one(f.rotor, spoiled, f.chart)[0] for one in (fit, fit_robust)]
        mean = clean.rotors[serial].mean
        far.append([np.abs(c.rotors[serial].mean - mean).max() for c in found])
    assert far[1][1] < 0.2 * far[1][0]
    assert far[1][1] < 2.0 * far[0][1]
    # What is rougher than any noise says nothing of the noise either.
    pair = [np.median(c.noise.run_var + 2.0 * c.noise.reading_var) for c in (clean, *found)]
    assert pair[1] > 6.0 * pair[0]
    assert pair[2] < 3.0 * pair[0]


@pytest.mark.parametrize("spoil", [rough, gusty])
def test_what_a_rotor_showed_can_be_taken_off_again(spoil) -> None:
    """Hardware that all but did not change: prior without the rotor, and its runs as they counted.

    Taken at weight 1 instead, they would not give back the posterior that they made.
    """
    f, runs = drawn(1, rotors=6)
    spoiled, chosen = spoil(f, runs, 1)
    c, vibration, _ = fit_robust(f.rotor, spoiled, f.chart)
    at = int(np.flatnonzero(chosen)[0])
    serial = runs.serials[runs.rotor[at]]
    doubt, none = np.where(np.arange(len(runs)) == at, 1e-12, 0.0), np.zeros(len(runs.serials))

    def off(seen: Runs) -> float:
        known = as_changed(c, f.rotor, seen, doubt, none).rotors[serial]
        return float(np.abs(known.mean / c.rotors[serial].mean - 1.0).max())

    counted = spoiled.counting(vibration.weight.reading, vibration.weight.step)
    assert off(counted) < 1e-6
    assert off(spoiled) > 1e-3


def test_learn_takes_suspects_and_rough_runs_together() -> None:
    f, runs = drawn(2)
    spoiled, _ = rough(f, runs, 2)
    table = f.history.readings.copy()
    row = {(runs.jobs[j], n): k for k, (j, n) in enumerate(zip(runs.job, runs.names, strict=True))}
    channel = {name: j for j, name in enumerate(f.rotor.channels)}
    table["value"] = [
        spoiled.readings[row[r.job, r.run], channel[r.sensor, r.regime]] for r in table.itertuples()
    ]
    log = replace(f.history, readings=table)
    plain, found = (learn(f.rotor, log, f.chart, robust=x) for x in (False, True))
    assert error(f, found) < error(f, plain)
    assert "robust" not in plain.origin
    assert not any("robust" in note for note in plain.notes)
    assert found.origin["robust"] is True
    assert any(note.startswith("robust fit: readings of ") for note in found.notes)
    again = update(found, f.rotor, log)
    np.testing.assert_array_equal(again.rotors["R003"].mean, found.rotors["R003"].mean)
