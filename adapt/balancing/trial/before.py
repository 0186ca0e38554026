"""What is read before a trial weight is fitted, and what is known of its effect already."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from adapt.balancing.trial.asked import Now
from adapt.balancing.trial.own_runs import of_job
from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.learning.fitting.expected import expected_noise
from adapt.log import History
from adapt.problems import BadInput, CannotBeMet, Problem, one_of, shown
from adapt.rotor import Adjuster, Rotor
from adapt.rotor.limit_sets import require_limit_set

__all__ = ["chosen_channel", "effects_of_chart", "effects_of_coefficients", "last_read", "now_of"]

Real = npt.NDArray[np.float64]
Effects = tuple[Real, Real]


def chosen_channel(rotor: Rotor, sensor: str | None, regime: str | None) -> tuple[str, str]:
    """Return the sensor and regime that are meant; one that is not said must be the only one.

    A regime that is not said is the only one on the ground where there is one. Raises BadInput with
    everything that is wrong.
    """
    grounds = [r.name for r in rotor.regimes if r.on_ground]
    found: list[str] = []
    problems = []
    for what, said, known, usual in (
        ("sensor", sensor, [s.name for s in rotor.sensors], []),
        ("regime", regime, list(rotor.regime_names), grounds),
    ):
        only = known if len(known) == 1 else usual if len(usual) == 1 else []
        if said is None and only:
            found.append(only[0])
        elif said in known:
            found.append(str(said))
        else:
            expected = one_of(f"a {what} of the rotor file", said or "", known)
            problems.append(Problem("fault", what, None, None, shown(said), expected))
    if problems:
        raise BadInput(problems)
    return found[0], found[1]


def last_read(rotor: Rotor, history: History, job: str) -> dict[tuple[str, str], float]:
    """Return the amplitudes of a job's last run, by (sensor, regime) [sensor's unit].

    Raises BadInput where the job is not there, is set aside, or its last run read nothing;
    CannotBeMet where moves or an event stand after it, so that it is not read what is there now.
    """
    alone, _ = of_job(rotor, history, job)
    last = alone.runs["run"].iloc[-1]
    # A turned reference leaves amplitudes as they are.
    events = alone.events[alone.events["kind"] != "reference moved"]
    for what, logged in (("moves", alone.moves), ("an event", events)):
        if (logged["after_run"] == last).any():
            raise CannotBeMet(
                f"job {job} has {what} logged after run {last}, its last: what is read now is not "
                "known. Log the next run first, or give what is read now as --amplitude"
            )
    read = history.readings[history.readings["job"] == job]
    rows = read[read["run"] == last]
    if rows.empty:
        raise BadInput(f"run {last}, the last of job {job}, has no readings that can be used")
    return {
        (str(sensor), str(regime)): float(abs(value))
        for sensor, regime, value in zip(rows["sensor"], rows["regime"], rows["value"], strict=True)
    }


def effects_of_chart(rotor: Rotor, chart: Chart, adjuster: Adjuster) -> Effects:
    """Return amplitude and sd per component of one unit's effect by a chart, (channel,)."""
    a = rotor.adjuster_names.index(adjuster.name)
    return np.abs(chart.mean[:, a]), chart.sd[:, a]


def effects_of_coefficients(
    rotor: Rotor, coefficients: Coefficients, adjuster: Adjuster, serial: str = ""
) -> Effects:
    """Return the same by coefficients: a rotor's own, or those of one that was never read."""
    a = rotor.adjuster_names.index(adjuster.name)
    known = coefficients.of(serial)
    return np.abs(known.mean[:, a]), np.sqrt(np.maximum(known.cov[:, a, a].real, 0.0) / 2.0)


def now_of(
    rotor: Rotor,
    amplitudes: Mapping[tuple[str, str], float],
    effects: Effects | None = None,
    stop: float | None = None,
    limits: str | None = None,
) -> tuple[Now, ...]:
    """Return what is read before a trial, with its noise, its limit and the effect of one unit.

    amplitudes: by (sensor, regime) [sensor's unit]. effects: amplitude and sd, (channel,), NaN
    where not known; None = nothing is known. stop: stop amplitude [sensor's unit] of all of them.
    The noise is that of the change between two runs, as the rotor file states or `adapt learn`
    expects it. Raises BadInput for a set of limits that the rotor file does not have, and for one
    stop amplitude of readings in several units.
    """
    require_limit_set(rotor, limits)
    units = list(dict.fromkeys(rotor.sensor(sensor).unit for sensor, _ in amplitudes))
    if stop is not None and len(units) > 1:
        found = f"{stop:g} for readings in {' and '.join(units)}"
        expected = "readings in one unit: give the one to watch with its amplitude"
        raise BadInput([Problem("fault", "stop amplitude", None, None, found, expected)])
    noise, _ = expected_noise(rotor)
    sd = np.sqrt((noise.run_var + 2.0 * noise.reading_var) / 2.0)
    nows = []
    for (sensor, regime), amplitude in amplitudes.items():
        j = rotor.channels.index((sensor, regime))
        limit = rotor.limit_for(sensor, regime, limits)
        known = effects is not None and not np.isnan(effects[0][j])
        nows.append(
            Now(
                sensor=sensor,
                regime=regime,
                amplitude=amplitude,
                noise_sd=float(sd[j]),
                unit=rotor.sensor(sensor).unit,
                limit=None if limit is None else limit.limit,
                effect=float(effects[0][j]) if effects is not None and known else None,
                effect_sd=float(effects[1][j]) if effects is not None and known else 0.0,
                stop=stop,
            )
        )
    return tuple(nows)
