"""One fit: from runs and a chart to every rotor's coefficients with their doubts.

Puts the steps in order; the mathematics of each stands in its own module. Which pairs are fit to
teach is the business of `screening`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import numpy.typing as npt

import adapt
from adapt.chart import Chart
from adapt.coefficients import Coefficients, Noise, Posterior, identity_of
from adapt.learning.fitting.correlation import channel_correlation, speaking_by_sensor
from adapt.learning.fitting.expected import (
    FALLBACK_SHARE,
    expected_noise,
    expected_track_noise,
    track_noise,
    typical_size,
)
from adapt.learning.fitting.fleet import (
    Fleet,
    Known,
    Prior,
    Spread,
    informed_directions,
    joint_cov,
    joint_type,
    solve_fleet,
)
from adapt.learning.fitting.noise import Center, Variances, Within, estimate
from adapt.learning.fitting.shares import Shares
from adapt.learning.rows.pairs import Rows, track_rows, vibration_rows
from adapt.learning.rows.runs import Runs
from adapt.learning.rows.table import Table
from adapt.learning.rows.weights import EVEN, Weight, Weights, steps_with
from adapt.rotor import Rotor

__all__ = ["Fitted", "Learned", "fit", "units_of"]

Array = npt.NDArray[Any]
Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]
Progress = Callable[[int, int], None]

SPEAKING_ROUNDS = 3  # of learning with the word of channels that share noise counted less
ENOUGH_SPEAKING = 0.05  # relative: a smaller change of that is not worth another round
INEXACT_ROUNDS = 4  # of learning with what inexact moves add, at most
MOST_INEXACT = 1e4  # times q: more than that and a move says nothing


@dataclass(frozen=True, eq=False)
class Learned:
    """The learner's own view of one table of channels: rows, variances and solution.

    weight: how much single runs counted.
    """

    table: Table
    variances: Variances
    prior: Prior
    known: Known
    fleet: Fleet
    correlation: Array
    weight: Weight = EVEN.vibration

    def to_start_from(self) -> Learned:
        """Return the same for a fit of other rows: what noise to expect is to be seen anew."""
        return replace(self, variances=replace(self.variances, center=None))

    def variances_in(self, scale: Real) -> Variances:
        """Return the variances in the columns of another table; scale: (adjuster,)."""
        ratio = scale / self.table.scale
        was = self.variances.spread
        spread = Spread(was.rest * ratio**2, was.loading * ratio, was.share)
        return replace(self.variances, spread=spread)


Fitted = tuple[Coefficients, Learned, Learned | None]


def fit(
    rotor: Rotor,
    runs: Runs,
    chart: Chart | None = None,
    progress: Progress | None = None,
    source: str = "",
    start: Fitted | None = None,
    weights: Weights = EVEN,
) -> Fitted:
    """Learn from runs; return the coefficients, and the solutions for vibration and track.

    start: what was learned from nearly the same runs; the search goes on from there. weights: how
    much single runs count.
    """
    report = progress or (lambda done, of: None)
    report(0, 3)
    unit, unit_now, units = units_of(rotor, runs)
    expected, stated = expected_noise(rotor)
    vibration, move_var = _with_inexact_moves(
        rotor,
        runs,
        lambda extra, before: _solve(
            vibration_rows(
                rotor,
                runs,
                runs.starts,
                unit,
                units,
                steps_with(extra, weights.vibration.step, len(rotor.channels)),
                weights.vibration.reading,
            ),
            _vibration_prior(rotor, chart),
            expected,
            stated,
            sensor=np.repeat(np.arange(len(rotor.sensors)), len(rotor.regimes)),
            floor=typical_size(runs.readings),
            within=_within(runs),
            start=before,
        ),
        start and start[1],
    )
    report(1, 3)
    track, track_move_var = None, None
    if rotor.has_track:
        track, track_move_var = _with_inexact_moves(
            rotor,
            runs,
            lambda extra, before: _solve_track(rotor, runs, chart, extra, before, weights.track),
            start and start[2],
        )
    vibration = replace(vibration, weight=weights.vibration)
    track = track and replace(track, weight=weights.track)
    report(2, 3)

    here = np.unique(runs.rotor)
    sensor_of = np.repeat(np.arange(len(rotor.sensors)), len(rotor.regimes))
    empty_track = _no_track(rotor)
    pairs = vibration.table.rows.moved
    track_pairs = (
        track.table.rows.moved
        if track
        else np.zeros((len(runs.serials), *empty_track[0].shape), dtype=np.int64)
    )
    type_ = _posterior(
        _whole(vibration),
        _whole(track) if track else empty_track,
        pairs.sum(axis=0),
        track_pairs.sum(axis=0),
    )
    unseen = _posterior(
        _unseen(vibration),
        _unseen(track) if track else empty_track,
        np.zeros_like(type_.pairs),
        np.zeros_like(type_.track_pairs),
    )
    rotors = {
        runs.serials[i]: _posterior(
            _own(vibration, unit_now[i]),
            _own(track, np.array([i])) if track else empty_track,
            pairs[unit_now[i][sensor_of], np.arange(len(sensor_of))],
            track_pairs[i],
        )
        for i in here
    }
    coefficients = Coefficients(
        design=rotor.name,
        channels=rotor.channels,
        regimes=rotor.regime_names,
        adjusters=rotor.adjuster_names,
        type_=type_,
        unseen=unseen,
        rotors=rotors,
        noise=replace(
            _noise(rotor, vibration, track), move_var=move_var, track_move_var=track_move_var
        ),
        taught=frozenset(pair for pair in runs.pair if pair is not None),
        chart=chart,
        notes=_notes(rotor, runs, vibration, chart),
        origin=_origin(rotor, runs, vibration, track, chart, source),
    )
    report(3, 3)
    return coefficients, vibration, track


def units_of(rotor: Rotor, runs: Runs) -> tuple[Whole, Whole, int]:
    """Return units by (run, sensor), units by (rotor, sensor) now, and how many there are.

    A unit is a rotor in one frame of a sensor: what an earlier frame showed teaches the type alone.
    """
    frames = runs.epoch_now.max(axis=1, initial=0) + 1
    first = np.concatenate([[0], np.cumsum(frames)])
    unit = first[runs.rotor][:, None] + runs.epoch
    unit_now = first[:-1, None] + runs.epoch_now
    return unit, unit_now, int(first[-1])


def _with_inexact_moves(
    rotor: Rotor,
    runs: Runs,
    solve: Callable[[Real | None, Learned | None], Learned],
    start: Learned | None,
) -> tuple[Learned, Real | None]:
    """Solve in rounds, for what inexact moves add depends on what they do.

    solve: from what each step adds in units of q, (run, channel), and the solution before. Returns
    the solution and what one move of an adjuster adds to the run-to-run change, (channel,
    adjuster); None when all moves are exact. A move off by amount_sd moves the readings by c
    amount_sd in one direction; as a circular normal it has the variance |c|^2 amount_sd^2. In track
    it is one blade of N, spread over the N - 1 contrasts.
    """
    sd = np.array([a.amount_sd for a in rotor.adjusters])
    inexact = bool((runs.moved * sd).any())
    before = start and start.to_start_from()
    learned = before if before is not None and inexact else solve(None, before)
    if not inexact:
        return learned, None
    of_all = 1.0 if np.iscomplexobj(learned.fleet.mean) else 1.0 / len(rotor.blades)
    ratio = np.zeros_like(learned.fleet.mean.real)
    for turn in range(INEXACT_ROUNDS):
        mean = np.where(learned.known.sure, learned.fleet.mean / learned.table.scale, 0.0)
        size = np.abs(mean) ** 2 * sd**2 * of_all
        fresh = size / learned.variances.run_var[:, None]
        if (turn or before is None) and np.allclose(fresh, ratio, rtol=0.02, atol=1e-4):
            break
        ratio = np.minimum(fresh, MOST_INEXACT)
        learned = solve(runs.moved @ ratio.T, learned)
    return learned, ratio * learned.variances.run_var[:, None]


def _within(runs: Runs) -> Within:
    """Return the scatter within runs of readings that were averaged there, where it was noted."""
    told = ~np.isnan(runs.spread) & (runs.repeats > 1)
    freedom = np.where(told, runs.repeats - 1.0, 0.0)
    square = np.where(told, freedom * 2.0 * runs.spread**2, 0.0)
    return Within(freedom.sum(axis=0), square.sum(axis=0))


def _solve(
    rows: Rows,
    prior: Prior,
    expected: Center,
    stated: Truth,
    sensor: Whole,
    floor: Real,
    within: Within | None = None,
    start: Learned | None = None,
) -> Learned:
    """Estimate variances, then solve with the chart as prior.

    start: what was learned from nearly the same rows.
    """
    table = Table.of(rows, prior.fixed, int(sensor.max(initial=0)) + 1)
    scaled = Prior(prior.mean * table.scale, prior.var * table.scale**2)
    known = informed_directions(table, scaled)
    before = None if start is None else start.variances_in(table.scale)
    for _ in range(SPEAKING_ROUNDS):
        speaking = None if before is None else before.speaking
        variances = estimate(
            table, scaled, expected, stated, sensor, floor, within, speaking, before
        )
        fleet = solve_fleet(
            table, variances.taught_run_var, variances.taught_reading_var, variances.spread, scaled,
            known,
        )  # fmt: skip
        correlation = channel_correlation(table, variances, fleet)
        speaking = speaking_by_sensor(correlation, variances, table.groups)
        if np.abs(speaking / variances.speaking - 1.0).max(initial=0.0) < ENOUGH_SPEAKING:
            break
        before = replace(variances, speaking=speaking)
    return Learned(table, variances, scaled, known, fleet, correlation)


def _solve_track(
    rotor: Rotor,
    runs: Runs,
    chart: Chart | None,
    extra: Real | None,
    start: Learned | None,
    weight: Weight,
) -> Learned:
    """Do the same for track; its noise is pooled over regimes before each has its own."""
    regimes = len(rotor.regimes)
    expected, stated = expected_track_noise(rotor, runs, chart)
    found = _solve(
        track_rows(
            rotor, runs, runs.starts, steps_with(extra, weight.step, regimes), weight.reading
        ),
        _track_prior(rotor, chart),
        expected,
        stated,
        sensor=np.zeros(regimes, dtype=np.int64),
        floor=typical_size(runs.heights.transpose(0, 2, 1).reshape(-1, regimes)),
        start=start,
    )
    variances = track_noise(found.variances, found.table.rows, stated)
    fleet = solve_fleet(
        found.table, variances.taught_run_var, variances.taught_reading_var, variances.spread,
        found.prior, found.known,
    )  # fmt: skip
    return replace(found, variances=variances, fleet=fleet)


def _vibration_prior(rotor: Rotor, chart: Chart | None) -> Prior:
    """Return the chart as a prior of c; circular variance is twice that of a component."""
    shape = len(rotor.channels), len(rotor.adjusters)
    if chart is None:
        return Prior(np.zeros(shape, dtype=complex), np.full(shape, np.inf))
    return _chart_prior(chart.mean, 2.0 * chart.sd**2)


def _track_prior(rotor: Rotor, chart: Chart | None) -> Prior:
    """Return the chart's track rows as a prior; a missing row is no effect."""
    shape = len(rotor.regimes), len(rotor.adjusters)
    if chart is None:
        return Prior(np.zeros(shape), np.full(shape, np.inf))
    return _chart_prior(chart.track_mean, chart.track_sd**2)


def _chart_prior(mean: Array, var: Real) -> Prior:
    """Return a prior: flat where there is no row, a hair's width where a row claims no doubt."""
    absent = np.isnan(mean) | np.isnan(var)
    mean = np.where(absent, 0.0, mean)
    var = np.where((var == 0) & (mean != 0), (1e-6 * np.abs(mean)) ** 2, var)
    return Prior(mean, np.where(absent, np.inf, var))


def _labelled(mean: Array, joint: Array, learned: Learned) -> tuple[Array, Array]:
    """Return mean and joint covariance in the adjusters' units, NaN where nothing informs them."""
    groups = learned.table.groups
    sure = learned.known.sure
    scale = np.broadcast_to(learned.table.scale, mean.shape).reshape(groups, -1)
    flat_sure = sure.reshape(groups, -1)
    both = flat_sure[:, :, None] & flat_sure[:, None, :]
    return (
        np.where(sure, mean / learned.table.scale, np.nan),
        np.where(both, joint / (scale[:, :, None] * scale[:, None, :]), np.nan),
    )


def _whole(learned: Learned) -> tuple[Array, Array]:
    return _labelled(learned.fleet.mean, learned.fleet.joint, learned)


def _unseen(learned: Learned) -> tuple[Array, Array]:
    joint = joint_type(learned.variances.spread, learned.fleet.joint)
    return _labelled(learned.fleet.mean, joint, learned)


def _own(learned: Learned, unit: Whole) -> tuple[Array, Array]:
    """Return the posterior of one rotor; unit: (group,), the unit that holds now at each sensor."""
    by_channel = np.repeat(unit, len(learned.fleet.mean) // max(len(unit), 1))
    mean = learned.fleet.unit_mean[by_channel, np.arange(len(by_channel))]
    joint = joint_cov(learned.fleet, learned.variances.spread, unit)
    return _labelled(mean, joint, learned)


def _no_track(rotor: Rotor) -> tuple[Real, Real]:
    regimes, adjusters = len(rotor.regimes), len(rotor.adjusters)
    size = regimes * adjusters
    return np.full((regimes, adjusters), np.nan), np.full((1, size, size), np.nan)


def _posterior(
    vibration: tuple[Array, Array], track: tuple[Array, Array], pairs: Whole, track_pairs: Whole
) -> Posterior:
    return Posterior(*vibration, *track, pairs=pairs, track_pairs=track_pairs)


def _noise(rotor: Rotor, vibration: Learned, track: Learned | None) -> Noise:
    nothing = np.full(len(rotor.regimes), np.nan)
    return Noise(
        reading_var=vibration.variances.reading_var,
        run_var=vibration.variances.run_var,
        track_reading_var=track.variances.reading_var if track else nothing,
        track_run_var=track.variances.run_var if track else nothing,
        correlation=vibration.correlation,
        speaking=vibration.variances.speaking,
        track_speaking=track.variances.speaking if track else None,
    )


def _notes(rotor: Rotor, runs: Runs, vibration: Learned, chart: Chart | None) -> tuple[str, ...]:
    """Return what a reader of the coefficients must know about how they came about."""
    notes = []
    rows = vibration.table.rows
    spare = np.maximum(rows.live.sum(axis=0) - (rows.moved.sum(axis=0) > 0).sum(axis=1), 0)
    spare = spare.reshape(len(rotor.sensors), -1).sum(axis=1)
    silent = [
        s.name
        for s, left in zip(rotor.sensors, spare, strict=True)
        if not left and (s.reading_sd is None or s.run_to_run_sd is None)
    ]
    if silent:
        notes.append(
            "too few pairs were read on " + ", ".join(silent) + " to show the scatter of readings, "
            "and the rotor file does not state it (reading_sd, run_to_run_sd): about "
            f"{FALLBACK_SHARE:.0%} of the limit per component is assumed, and every interval and "
            "chance rests on that"
        )
    if len(np.unique(runs.rotor)) == 1:
        notes.append(
            "one rotor in the log: others of the type are taken to differ by 12 % per component"
        )
    if not vibration.known.sure.all():
        unknown = sorted(
            {rotor.adjuster_names[a] for a in np.argwhere(~vibration.known.sure)[:, 1]}
        )
        cause = "no chart row and" if chart is not None else "no chart, and"
        notes.append(f"not known in some readings ({cause} no move that shows it): "
                     + ", ".join(unknown))  # fmt: skip
    return tuple(notes)


def _origin(
    rotor: Rotor,
    runs: Runs,
    vibration: Learned,
    track: Learned | None,
    chart: Chart | None,
    source: str,
) -> dict[str, Any]:
    """Return where the coefficients came from, as JSON values."""
    return {
        "program": "adapt",
        "version": adapt.__version__,
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "identity": identity_of(rotor),
        "rotor_file": rotor.source,
        "log": source,
        "chart": None if chart is None else chart.source,
        "jobs": len(np.unique(runs.job)),
        "runs": len(runs),
        "spread_of_rotors": _typical(vibration.variances.shares),
        "spread_of_rotors_track": None if track is None else _typical(track.variances.shares),
        "spread_of_rotors_parts": {
            s.name: {name: float(x[i]) for name, x in vars(vibration.variances.shares).items()}
            for i, s in enumerate(rotor.sensors)
        },
        "frames": {
            runs.serials[i]: {
                s.name: int(n) for s, n in zip(rotor.sensors, runs.epoch_now[i], strict=True)
            }
            for i in np.unique(runs.rotor)
        },
    }


def _typical(shares: Shares) -> float:
    """Return the root mean square over sensors of the spread of one coefficient per component."""
    return float(np.sqrt((shares.total**2).mean()))
