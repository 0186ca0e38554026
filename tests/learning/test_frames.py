"""Moved references and sensors against dense normal laws written out from the model."""

from dataclasses import replace

import numpy as np
import pytest
from dense_rotor import flat_levels, log_density, readings_of, type_without
from invented_fleet import Fleet, fleet, history, invented_rotor

from adapt.coefficients import Coefficients
from adapt.learning.fitting.learner import fit
from adapt.learning.frames.events import FrameEvent, frame_events, seen_events
from adapt.learning.frames.jobs_apart import jobs_apart
from adapt.learning.frames.moved import (
    find_frames,
    moved_notes,
    read_now,
    reference_rows,
    settle_frames,
    settled,
    turned,
)
from adapt.learning.frames.rotor_view import Views
from adapt.learning.frames.search import Found
from adapt.learning.frames.type_prior import TypePrior
from adapt.learning.frames.unknown_turn import with_unknown_turn
from adapt.learning.replaced import HARDWARE_SHARE, doubts_of
from adapt.learning.rows.runs import Runs, runs_of
from adapt.log import History

Event = tuple[str, str, str, str, complex]


def moved(f: Fleet, *events: Event) -> History:
    """Return a fleet's history with events, each multiplying what is read after it.

    Each event: job, after_run, kind, sensor, and its factor: exp(i angle) of a reference (a sensor
    of order n takes its n-th power), any complex number of a sensor.
    """
    table = f.history.runs
    readings = f.history.readings.copy()
    value = readings["value"].to_numpy(dtype=complex).copy()
    order = {s.name: s.order for s in f.rotor.sensors}
    for job, after, kind, sensor, factor in events:
        serial = table.rotor[table.job == job].iloc[0]
        mine = table[table.rotor == serial]
        at = {key: k for k, key in enumerate(zip(mine.job, mine.run, strict=True))}
        for k, row in enumerate(readings.itertuples()):
            later = at.get((row.job, row.run), -1) > at[job, after]
            if later and kind == "reference moved":
                value[k] *= factor ** order[row.sensor]
            elif later and kind == "sensor moved" and sensor == row.sensor:
                value[k] *= factor
    rows = [(job, after, kind, sensor, "") for job, after, kind, sensor, _ in events]
    return replace(
        f.history, readings=readings.assign(value=value), events=history([], [], events=rows).events
    )


def lag(angle_deg: float) -> complex:
    return complex(np.exp(1j * np.deg2rad(angle_deg)))


def learned(f: Fleet, log: History) -> tuple[Runs, tuple[FrameEvent, ...], Coefficients]:
    """Learn with frames apart, and with channels taken as independent, as the dense laws do."""
    runs = runs_of(f.rotor, log)
    c, _, _ = fit(f.rotor, runs, f.chart)
    c = replace(c, noise=replace(c.noise, correlation=None))
    return runs, frame_events(f.rotor, runs, log), c


def found(f: Fleet, log: History) -> tuple[Found, ...]:
    runs, events, c = learned(f, log)
    return find_frames(f.rotor, runs, events, c)[events[0].rotor].found


def two_orders() -> Fleet:
    rotor = invented_rotor(sensors=2, regimes=2, track=False)
    rotor = replace(rotor, sensors=(rotor.sensors[0], replace(rotor.sensors[1], order=2)))
    f = fleet(np.random.default_rng(21), rotor, rotors=4, jobs=3, runs=4, missing=0.15)
    readings = f.history.readings
    repeats = np.random.default_rng(4).integers(1, 4, len(readings))
    f.history = replace(f.history, readings=readings.assign(repeats=repeats))
    return f


def dense_angle(
    f: Fleet, log: History, c: Coefficients, serial: str, last: int, apart: float = 0.0
) -> tuple:
    """Return circular mean and sd [deg] of one moved reference, from dense laws on a grid.

    last: the rotor's last run before the event, counted through its log. The rotor reads as its
    type before the event or after it, equally likely. apart: by which share of D jobs differ.
    """
    grid = np.deg2rad(np.arange(-180.0, 180.0, 0.5))
    total = np.zeros((2, len(grid)))
    for s, sensor in enumerate(f.rotor.sensors):
        mean, cov = type_without(f, log, c, serial, s)
        r = readings_of(f, log, c, serial, s, set())
        own = apart * (c.unseen.joint - c.type_.joint)[s]
        same_job = r.segment[:, None] == r.segment
        r = replace(r, noise=r.noise + same_job * (r.x @ own @ r.x.conj().T))
        after = r.run > last
        for k, theta in enumerate(grid):
            turn = np.exp(1j * sensor.order * theta)
            total[0, k] += log_density(r, np.where(after, turn, 1.0), mean, cov)
            total[1, k] += log_density(r, np.where(after, 1.0, 1.0 / turn), mean, cov)
    weight = np.exp(total - total.max())
    moment = (weight * np.exp(1j * grid)).sum() / weight.sum()
    return np.rad2deg(np.angle(moment)), np.rad2deg(np.sqrt(-2.0 * np.log(abs(moment))))


@pytest.mark.parametrize("apart", [0.0, 0.3])
@pytest.mark.parametrize(
    ("job", "after", "angle", "last"),
    [("J001-0", "3", 75.0, 3), ("J001-1", "1", -140.0, 5), ("J001-0", "0", 12.0, 0)],
)
def test_the_angle_of_a_moved_reference_is_that_of_the_dense_law(
    job: str, after: str, angle: float, last: int, apart: float
) -> None:
    """Between two jobs, within one, and after a single run; orders 1 and 2, gaps, repeats.

    apart: each job's coefficients are the rotor's + e, e ~ CN(0, apart D).
    """
    f = two_orders()
    log = moved(f, (job, after, "reference moved", "", lag(angle)))
    runs, events, c = learned(f, log)
    answer = find_frames(f.rotor, runs, events, c, apart=apart)[1].found[0]
    expected, sd = dense_angle(f, log, c, "R001", last, apart)
    assert answer.angle_deg == pytest.approx(expected, abs=1e-4)
    assert answer.sd_deg == pytest.approx(sd, rel=1e-3)
    assert abs(answer.angle_deg - angle) < 4.0 * answer.sd_deg
    assert answer.known


def test_a_single_order_gives_a_von_mises_law() -> None:
    """Few readings, so that the law is wide and its shape shows: mean length I1(k) / I0(k)."""
    rotor = invented_rotor(sensors=1, regimes=1, adjusters=1, track=False)
    f = fleet(np.random.default_rng(5), rotor, rotors=3, jobs=2, runs=3, reading_sd=0.12, moves=1)
    log = moved(f, ("J001-0", "2", "reference moved", "", lag(50.0)))
    runs, events, c = learned(f, log)
    answer = find_frames(f.rotor, runs, events, c, apart=0.0)[1].found[0]
    expected, sd = dense_angle(f, log, c, "R001", 2)
    assert sd > 15.0
    assert answer.angle_deg == pytest.approx(expected, abs=1e-3)
    assert answer.sd_deg == pytest.approx(sd, rel=1e-4)


def test_two_events_are_found_together() -> None:
    """Against the dense law of both angles on a grid about its mode."""
    f = two_orders()
    log = moved(
        f,
        ("J001-0", "3", "reference moved", "", lag(75.0)),
        ("J001-1", "1", "reference moved", "", lag(-30.0)),
    )
    runs, events, c = learned(f, log)
    answers = find_frames(f.rotor, runs, events, c, apart=0.0)[1].found
    grid = [a.angle_deg + a.sd_deg * np.linspace(-4.5, 4.5, 25) for a in answers]
    total = np.zeros((3, 25, 25))
    for s, sensor in enumerate(f.rotor.sensors):
        mean, cov = type_without(f, log, c, "R001", s)
        r = readings_of(f, log, c, "R001", s, set())
        for i, one in enumerate(grid[0]):
            for k, two in enumerate(grid[1]):
                first, second = (lag(sensor.order * x) for x in (one, one + two))
                factor = np.where(r.run > 5, second, np.where(r.run > 3, first, 1.0))
                for t, base in enumerate((1.0, first, second)):
                    total[t, i, k] += log_density(r, factor / base, mean, cov)
    weight = np.exp(total - total.max()).sum(axis=0)
    weight /= weight.sum()
    for axis, answer in enumerate(answers):
        by = weight.sum(axis=1 - axis)
        mean = (by * grid[axis]).sum()
        sd = np.sqrt((by * (grid[axis] - mean) ** 2).sum())
        assert answer.angle_deg == pytest.approx(mean, abs=0.02 * sd)
        assert answer.sd_deg == pytest.approx(sd, rel=0.02)


def test_hardware_changed_between_leaves_the_angle_with_more_doubt() -> None:
    """With c before = c now + e, e ~ CN(0, share D): the dense law of both sets of coefficients."""
    f = two_orders()
    log = moved(f, ("J001-1", "1", "reference moved", "", lag(75.0)))
    events_table = history([], [], events=[
        ("J001-1", "1", "reference moved", "", ""), ("J001-0", "3", "hardware changed", "", ""),
    ]).events  # fmt: skip
    log = replace(log, events=events_table)
    runs, events, c = learned(f, log)
    doubt, since = doubts_of(runs, log)
    assert doubt[runs.rotor == 1].tolist() == [0.0] * 4 + [HARDWARE_SHARE] + [0.0] * 7
    assert not since.any()
    # The fit takes both stretches for one set of coefficients, so only the search is compared.
    grid = np.deg2rad(np.arange(-180.0, 180.0, 0.5))
    total = np.zeros((2, len(grid)))
    for s, sensor in enumerate(f.rotor.sensors):
        spread = HARDWARE_SHARE * (c.unseen.joint - c.type_.joint)[s]
        mean, cov = type_without(f, log, c, "R001", s)
        r = readings_of(f, log, c, "R001", s, set())
        old = r.run <= 3
        more = np.where(old[:, None], r.x, 0.0)
        changed = replace(r, noise=r.noise + more @ spread @ more.conj().T)
        for k, theta in enumerate(grid):
            turn = np.exp(1j * sensor.order * theta)
            after = r.run > 5
            total[0, k] += log_density(changed, np.where(after, turn, 1.0), mean, cov)
            total[1, k] += log_density(changed, np.where(after, 1.0, 1.0 / turn), mean, cov)
    weight = np.exp(total - total.max())
    moment = (weight * np.exp(1j * grid)).sum() / weight.sum()
    plain = find_frames(f.rotor, runs, events, c, apart=0.0)[1].found[0]
    answer = find_frames(f.rotor, runs, events, c, doubt=doubt, apart=0.0)[1].found[0]
    assert answer.angle_deg == pytest.approx(np.rad2deg(np.angle(moment)), abs=0.02)
    sd = np.rad2deg(np.sqrt(-2.0 * np.log(abs(moment))))
    assert answer.sd_deg == pytest.approx(sd, rel=0.01)
    assert answer.sd_deg > plain.sd_deg


def dense_refit(
    f: Fleet, log: History, c: Coefficients, last: int, same_level: bool
) -> tuple[float, float, float, float, float]:
    """Return log odds of the same place, and mean and sd of log gain and of angle [rad].

    Sensor 0 of R001, moved after its run `last`: refitted in its place with a factor whose log gain
    and angle have sds of 10 % and 10 deg, or fitted elsewhere with coefficients of the type's size.
    """
    mean, cov = type_without(f, log, c, "R001", 0)
    r = readings_of(f, log, c, "R001", 0, set())
    after = r.run > last
    shared = np.array([(after[col > 0].min(), after[col > 0].max()) == (False, True)
                       for col in r.level.T])  # fmt: skip
    assert shared.any() == same_level
    size = (np.abs(c.type_.mean[:2]) ** 2).mean(axis=0)
    broad = np.diag(np.tile(size, 2))
    a, b = ~after, after

    def part(which: np.ndarray, mean: np.ndarray, cov: np.ndarray) -> float:
        level = r.level[which]
        level = level[:, level.any(axis=0)]
        x = r.x[which]
        noise = r.noise[np.ix_(which, which)]
        return flat_levels(r.y[which] - x @ mean, noise + x @ cov @ x.conj().T, level)

    elsewhere = np.nan if same_level else part(a, mean, cov) + part(b, 0 * mean, broad)
    gains, angles = np.linspace(-0.5, 0.5, 81), np.deg2rad(np.linspace(-50.0, 50.0, 61))
    total = np.empty((len(gains), len(angles)))
    for i, log_gain in enumerate(gains):
        for k, angle in enumerate(angles):
            turn = np.where(after, np.exp(1j * angle), 1.0)
            factor = turn * np.where(after, np.exp(log_gain), 1.0)
            x = factor[:, None] * r.x
            noise = turn[:, None] * r.noise * turn.conj()
            level = np.where(shared, factor[:, None], turn[:, None]) * r.level
            total[i, k] = flat_levels(r.y - x @ mean, noise + x @ cov @ x.conj().T, level)
    sd = np.deg2rad(10.0)
    total += -0.5 * (gains[:, None] / 0.1) ** 2 - 0.5 * (angles / sd) ** 2
    weight = np.exp(total - total.max())
    cell = (gains[1] - gains[0]) * (angles[1] - angles[0])
    same = total.max() + np.log(weight.sum() * cell) - np.log(2.0 * np.pi * 0.1 * sd)
    weight /= weight.sum()
    moments = []
    for by, at in ((weight.sum(axis=1), gains), (weight.sum(axis=0), angles)):
        middle = (by * at).sum()
        moments += [middle, np.sqrt((by * (at - middle) ** 2).sum())]
    return (same - elsewhere, *moments)


@pytest.mark.parametrize("after", ["2", "1"])
def test_gain_and_angle_of_a_refitted_sensor_are_those_of_the_dense_law(after: str) -> None:
    """Between two jobs, and within one, where the level speaks too."""
    rotor = invented_rotor(sensors=2, regimes=2, adjusters=2, track=False)
    f = fleet(np.random.default_rng(31), rotor, rotors=3, jobs=2, runs=3, reading_sd=0.04)
    log = moved(f, ("J001-0", after, "sensor moved", "sensor 1", 1.12 * lag(-7.0)))
    runs, events, c = learned(f, log)
    answer = find_frames(f.rotor, runs, events, c, apart=0.0)[1].found[0]
    odds, gain, gain_sd, angle, sd = dense_refit(f, log, c, int(after), after != "2")
    assert answer.refit is not None
    assert np.log(answer.refit.gain) == pytest.approx(gain, abs=0.01 * gain_sd)
    assert answer.refit.gain_sd == pytest.approx(gain_sd, rel=0.01)
    assert np.deg2rad(answer.angle_deg) == pytest.approx(angle, abs=0.01 * sd)
    assert np.deg2rad(answer.sd_deg) == pytest.approx(sd, rel=0.01)
    if after == "2":
        place = answer.refit.same_place
        assert np.log(place / (1.0 - place)) == pytest.approx(odds, abs=0.02)


def test_a_sensor_fitted_elsewhere_is_learned_anew_and_one_in_its_place_is_not() -> None:
    f = fleet(np.random.default_rng(32), rotors=6, jobs=2, runs=5)
    for after in ("4", "2"):
        for factor, there in ((1.08 * lag(9.0), True), (0.6 * lag(130.0), False)):
            log = moved(f, ("J001-0", after, "sensor moved", "sensor 1", factor))
            runs, events, c = learned(f, log)
            frames = find_frames(f.rotor, runs, events, c)
            answer = frames[1].found[0]
            assert answer.refit is not None
            assert answer.known == there
            assert (answer.refit.same_place > 0.5) == there
            put = turned(runs, frames)
            mine = runs.rotor == 1
            assert (put.epoch[mine, 0] == 1).all() == there
            np.testing.assert_array_equal(put.readings[:, 3:], runs.readings[:, 3:])
            if there:
                assert abs(np.log(answer.refit.gain / 1.08)) < 4.0 * answer.refit.gain_sd
                assert abs(answer.angle_deg - 9.0) < 4.0 * answer.sd_deg


def test_turned_readings_are_those_of_a_reference_that_never_moved() -> None:
    f = two_orders()
    log = moved(f, ("J001-1", "1", "reference moved", "", lag(75.0)))
    runs, events, c = learned(f, log)
    frames = find_frames(f.rotor, runs, events, c)
    put = turned(runs, frames)
    plain = runs_of(f.rotor, f.history)
    off = np.angle(put.readings * plain.readings.conj(), deg=True)
    answer = frames[1].found[0]
    own = runs.rotor == 1
    late = own & (runs.epoch[:, 0] == 1)
    error = answer.angle_deg - 75.0
    for columns, order in ((slice(0, 2), 1), (slice(2, 4), 2)):
        at = off[late, columns]
        np.testing.assert_allclose(at[~np.isnan(at)], -order * error, atol=1e-9)
    assert np.nanmax(np.abs(off[~late])) < 1e-9
    # One set of coefficients, and a level that carries on over the event.
    assert (put.epoch[own] == 1).all()
    np.testing.assert_array_equal(put.starts, plain.starts)
    assert runs.starts.sum() == plain.starts.sum() + 1


def test_the_fleet_is_not_bent_by_a_rotor_that_was_turned() -> None:
    """Frames apart, the turned one is a rotor unlike its type; put right, it is like the others."""
    f = fleet(np.random.default_rng(33), rotors=8, jobs=3, runs=5)
    log = moved(f, ("J002-0", "4", "reference moved", "", lag(120.0)))
    runs, events, apart = learned(f, log)
    put = turned(runs, find_frames(f.rotor, runs, events, apart))
    kept, _, _ = fit(f.rotor, put, f.chart)
    plain, _, _ = fit(f.rotor, runs_of(f.rotor, f.history), f.chart)
    spread = [c.origin["spread_of_rotors"] for c in (apart, kept, plain)]
    assert spread[0] > 1.5 * spread[2]
    assert spread[1] == pytest.approx(spread[2], rel=0.05)


def test_coefficients_are_those_of_the_rotor_as_it_reads_now_with_the_angles_doubt() -> None:
    """Mean and covariance against the dense law, the angle integrated on a grid."""
    rotor = invented_rotor(sensors=1, regimes=2, adjusters=2, track=False)
    f = fleet(np.random.default_rng(34), rotor, rotors=4, jobs=2, runs=4, reading_sd=0.06)
    log = moved(f, ("J001-1", "1", "reference moved", "", lag(75.0)))
    runs, events, c = learned(f, log)
    frames = find_frames(f.rotor, runs, events, c, apart=0.0)
    put = turned(runs, frames)
    fitted, _, _ = fit(f.rotor, put, f.chart)
    fitted = replace(fitted, noise=replace(fitted.noise, correlation=None))
    frames = find_frames(f.rotor, runs, events, fitted, put, apart=0.0)
    put = turned(runs, frames)
    now = read_now(fitted, f.rotor, put, frames).rotors["R001"]
    still = fitted.rotors["R001"]

    mean0, cov0 = type_without(f, log, fitted, "R001", 0)
    r = readings_of(f, log, fitted, "R001", 0, set())
    after, answer = r.run > 5, frames[1].found[0]
    means, weights = [], []
    for theta in answer.angle_deg + answer.sd_deg * np.linspace(-5.0, 5.0, 101):
        factor = np.where(after, lag(theta), 1.0)
        weights.append(log_density(r, factor, mean0, cov0))
        inverse = np.linalg.inv(r.noise)
        inner = r.level.T @ inverse @ r.level
        q = inverse - inverse @ r.level @ np.linalg.solve(inner, r.level.T @ inverse)
        precision = np.linalg.inv(cov0) + r.x.conj().T @ q @ r.x
        right = np.linalg.solve(cov0, mean0) + r.x.conj().T @ q @ (r.y / factor)
        means.append(lag(theta) * np.linalg.solve(precision, right))
    weight = np.exp(np.array(weights) - max(weights))
    weight /= weight.sum()
    middle = weight @ np.array(means)
    away = np.array(means) - middle
    expected = np.linalg.inv(precision) + np.einsum("k,kx,ky->xy", weight, away, away.conj())
    sd = np.sqrt(np.diag(expected).real)
    np.testing.assert_allclose(now.mean.ravel() / sd, middle / sd, atol=0.03)
    grown = np.diag(now.joint[0] - still.joint[0]).real
    np.testing.assert_allclose(np.diag(now.joint[0]).real, np.diag(expected).real, rtol=0.02)
    assert (grown > 0.02 * np.diag(still.joint[0]).real).any()
    np.testing.assert_array_equal(now.track_mean, still.track_mean)


def test_turning_pays_against_learning_anew() -> None:
    """Eight rotors of sixteen whose reference moved before their last job."""
    f = fleet(np.random.default_rng(35), rotors=16, jobs=3, runs=5)
    angles = np.random.default_rng(36).uniform(-180.0, 180.0, 8)
    log = moved(f, *((f"J{i:03d}-1", "4", "reference moved", "", lag(a))
                     for i, a in enumerate(angles)))  # fmt: skip
    runs, events, apart = learned(f, log)
    frames = settle_frames(f.rotor, runs, events, lambda r: fit(f.rotor, r, f.chart)[0])
    fitted = turned(runs, frames)
    c, _, _ = fit(f.rotor, fitted, f.chart)
    assert settled(frames, find_frames(f.rotor, runs, events, c, fitted))
    now = read_now(c, f.rotor, fitted, frames)
    answers = [x for i in range(8) for x in frames[i].found]
    errors = [abs((x.angle_deg - a + 180.0) % 360.0 - 180.0) / x.sd_deg
              for x, a in zip(answers, angles, strict=True)]  # fmt: skip
    assert max(errors) < 4.0

    def error(of: Coefficients) -> float:
        off = [
            (of.rotors[f"R{i:03d}"].mean - lag(a) * f.own[i]) / np.abs(f.type_)
            for i, a in enumerate(angles)
        ]
        return float(np.sqrt(np.mean(np.abs(off) ** 2)))

    assert error(now) < 0.8 * error(apart)


def test_an_event_after_the_last_run_leaves_frames_apart() -> None:
    f = fleet(np.random.default_rng(10), rotors=3, jobs=2, runs=4)
    log = moved(f, ("J001-1", "3", "reference moved", "", 1.0), ("J001-1", "3", "sensor moved",
                "sensor 1", 1.0))  # fmt: skip
    runs, events, c = learned(f, log)
    frames = find_frames(f.rotor, runs, events, c)
    put = turned(runs, frames)
    np.testing.assert_array_equal(put.epoch, runs.epoch)
    np.testing.assert_allclose(put.readings, runs.readings)
    rows = reference_rows(f.rotor, runs, frames)
    assert [(r["sensor"], r["known"]) for r in rows] == [(None, False), ("sensor 1", False)]
    assert rows[0]["angle_deg"] is None
    assert rows[0]["sd_deg"] == pytest.approx(180.0 / np.sqrt(3.0))
    assert rows[1]["same_place"] == pytest.approx(0.5, abs=1e-3)
    now = read_now(c, f.rotor, put, frames).rotors["R001"]
    unturned = with_unknown_turn(c.unseen, c.unseen, f.rotor, np.ones(len(f.rotor.sensors), bool))
    np.testing.assert_allclose(now.mean, unturned.mean, rtol=1e-6)
    np.testing.assert_allclose(now.cov, unturned.cov, rtol=1e-6)


def test_orders_that_are_all_even_leave_half_a_turn_open() -> None:
    rotor = invented_rotor(sensors=2, regimes=2, track=False)
    rotor = replace(rotor, sensors=tuple(replace(s, order=2) for s in rotor.sensors))
    f = fleet(np.random.default_rng(37), rotor, rotors=4, jobs=2, runs=5)
    log = moved(f, ("J001-0", "4", "reference moved", "", lag(130.0)))
    answer = found(f, log)[0]
    assert answer.known
    assert answer.angle_deg == pytest.approx(-50.0, abs=4.0 * answer.sd_deg)


def test_a_lone_rotor_without_a_chart_still_shows_how_far_it_was_turned() -> None:
    f = fleet(np.random.default_rng(38), rotors=1, jobs=2, runs=6)
    log = moved(f, ("J000-0", "5", "reference moved", "", lag(-65.0)))
    runs = runs_of(f.rotor, log)
    c, _, _ = fit(f.rotor, runs, None)
    answer = find_frames(f.rotor, runs, frame_events(f.rotor, runs, log), c)[0].found[0]
    assert answer.known
    assert answer.angle_deg == pytest.approx(-65.0, abs=4.0 * answer.sd_deg)
    assert answer.sd_deg > 0.2


def test_an_angle_that_nothing_tells_is_not_known() -> None:
    """One run before, in another job than those after; a rotor that then reads as its type."""
    f = fleet(np.random.default_rng(39), rotors=3, jobs=2, runs=4)
    log = moved(f, ("J001-0", "3", "reference moved", "", lag(5.0)))
    kept = ~((log.readings.job == "J001-0") & (log.readings.run != "0"))
    log = replace(log, readings=log.readings[kept])
    runs, events, c = learned(f, log)
    frames = find_frames(f.rotor, runs, events, c)
    assert not frames[1].found[0].known
    assert reference_rows(f.rotor, runs, frames)[0]["angle_deg"] is None
    np.testing.assert_array_equal(turned(runs, frames).epoch, runs.epoch)


def test_events_seen_so_far_are_those_with_runs_after_them() -> None:
    f = fleet(np.random.default_rng(40), rotors=3, jobs=2, runs=4)
    log = moved(
        f,
        ("J001-0", "1", "reference moved", "", 1.0),
        ("J001-1", "1", "sensor moved", "sensor 2", 1.0),
        ("J002-0", "3", "reference moved", "", 1.0),
    )
    runs = runs_of(f.rotor, log)
    events = frame_events(f.rotor, runs, log)
    assert [(e.rotor, e.row, e.sensor, e.alone) for e in events] == [
        (1, 10, None, True), (1, 14, 1, True), (2, 20, None, False),
    ]  # fmt: skip
    chosen = np.ones(len(runs), dtype=bool)
    chosen[[13, 14, 15, 20, 21, 22, 23]] = False
    chosen[0:4] = False
    seen = seen_events(events, runs, chosen)
    assert [(e.rotor, e.row) for e in seen] == [(1, 6)]


def test_a_log_without_events_is_left_alone() -> None:
    f = fleet(np.random.default_rng(41), rotors=2)
    runs, events, c = learned(f, f.history)
    assert events == ()
    assert find_frames(f.rotor, runs, events, c) == {}
    assert turned(runs, {}) is runs
    assert read_now(c, f.rotor, runs, {}) is c
    assert settled({}, {})


def test_how_far_jobs_differ_is_learned_from_the_fleet() -> None:
    """Jobs alike, and jobs whose coefficients differ by 6 % a component, half of what rotors do."""
    rng = np.random.default_rng(42)
    f = fleet(rng, invented_rotor(track=False), rotors=12, jobs=3, runs=5)
    shares = []
    for relative in (0.0, 0.06):
        readings = f.history.readings.set_index(["job", "run", "sensor", "regime"]).value.to_dict()
        for job in f.history.runs.job.unique():
            draw = rng.standard_normal((2, *f.type_.shape))
            e = relative * f.type_ * (draw[0] + 1j * draw[1])
            amounts = np.zeros((4, 3))
            for run in "1234":
                made = f.history.moves[
                    (f.history.moves.job == job) & (f.history.moves.after_run == str(int(run) - 1))
                ]
                for m in made.itertuples():
                    amounts[int(m.blade) - 1, f.rotor.adjuster_names.index(m.adjuster)] += m.amount
                moved_so_far = np.exp(1j * f.rotor.psi) @ amounts
                for j, (sensor, regime) in enumerate(f.rotor.channels):
                    readings[job, run, sensor, regime] += e[j] @ moved_so_far
        keys = f.history.readings[["job", "run", "sensor", "regime"]].itertuples(index=False)
        table = f.history.readings.assign(value=[readings[tuple(key)] for key in keys])
        runs = runs_of(f.rotor, replace(f.history, readings=table))
        c, _, _ = fit(f.rotor, runs, f.chart)
        shares.append(jobs_apart(Views.of(f.rotor, runs, c.noise, TypePrior(c), None), 1.0))
    assert shares[0] < 0.015
    assert 0.08 < shares[1] < 0.32


def test_notes_do_not_say_of_one_rotor_that_it_was_kept_and_that_it_was_not() -> None:
    rows = [
        {"rotor": "R1", "job": "J1", "after_run": "1", "known": True},
        {"rotor": "R1", "job": "J2", "after_run": "4", "known": False},
        {"rotor": "R2", "job": "J3", "after_run": "2", "known": True},
    ]
    kept, lost = moved_notes(rows)
    assert "moved on R2: what was learned before is kept" in kept
    assert "moved on R1 (job J2 after run 4) by what is not known well enough" in lost
    assert moved_notes([]) == ()
