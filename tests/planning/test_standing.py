"""What events do to where a job stands: which runs it is planned from, and when planning waits."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_fleet import history, invented_rotor
from invented_job import coefficients_of

from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.planning.job.standing import standing_of
from adapt.problems import CannotBeMet
from adapt.rotor import Rotor

ROTOR = invented_rotor(sensors=2, regimes=1, adjusters=1, track=False)


def known(rotor: Rotor = ROTOR) -> Coefficients:
    return coefficients_of(rotor, np.full((2, 1), 0.002))


def log(*events: tuple[str, str, str, str], first: complex = 0.4 + 0.1j) -> History:
    """Return two jobs of a rotor, three runs each; the first run of J-1 reads `first`."""
    runs = [("R", job, run, f"2026-0{month}-0{run}") for month, job in ((1, "J-1"), (2, "J-2"))
            for run in "123"]  # fmt: skip
    values = {"1": first, "2": 0.2j, "3": 0.1 + 0.2j}
    readings = [
        (job, run, "regime 1", sensor, values[run], np.nan, 1)
        for _, job, run, _ in runs
        for sensor in ("sensor 1", "sensor 2")
    ]
    moves = [("J-1", "1", "1", "hub weight", 20.0), ("J-1", "2", "2", "hub weight", 30.0)]
    return history(runs, readings, moves=moves, events=[(*event, "") for event in events])


@pytest.mark.parametrize("kind", ["reference moved", "sensor moved"])
def test_after_a_moved_reference_or_sensor_the_runs_since_are_planned_from(kind: str) -> None:
    event = ("J-1", "1", kind, "sensor 1" if kind == "sensor moved" else "")
    one = standing_of(ROTOR, known(), log(event), "J-1").vibration
    other = standing_of(ROTOR, known(), log(event, first=-3.0 - 2.0j), "J-1").vibration
    touched = slice(0, 2 if kind == "reference moved" else 1)
    np.testing.assert_array_equal(one.level_mean[touched], other.level_mean[touched])
    # As if the job had begun after the event: what is known of the level is what runs 2 and 3 say.
    late = log()
    late = replace(
        late,
        readings=late.readings[(late.readings.job == "J-1") & (late.readings.run != "1")],
    )
    alone = standing_of(ROTOR, known(), late, "J-1").vibration
    np.testing.assert_allclose(one.level_mean[touched], alone.level_mean[touched], rtol=1e-12)
    np.testing.assert_allclose(one.own_var[touched], alone.own_var[touched], rtol=1e-12)
    if kind == "sensor moved":
        assert abs(one.level_mean[1, 0] - other.level_mean[1, 0]) > 0.1


@pytest.mark.parametrize("kind", ["hardware changed", "other"])
def test_after_other_events_the_next_run_tells_where_the_job_stands(kind: str) -> None:
    with pytest.raises(CannotBeMet, match=kind):
        standing_of(ROTOR, known(), log(("J-1", "3", kind, "")), "J-1")
    standing = standing_of(ROTOR, known(), log(("J-1", "2", kind, "")), "J-1")
    assert standing.read_in == ("3", "3")
    np.testing.assert_allclose(standing.vibration.level_mean[:, 0], 0.1 + 0.2j)
    np.testing.assert_allclose(standing.vibration.own_var, known().noise.reading_var)


@pytest.mark.parametrize(
    ("kind", "sensor"), [("reference moved", ""), ("sensor moved", "sensor 2")]
)
def test_a_job_from_before_a_moved_reference_or_sensor_is_not_planned_from(
    kind: str, sensor: str
) -> None:
    """Its readings are of a frame that the coefficients are no longer of."""
    for event in (("J-2", "1", kind, sensor), ("J-2", "3", kind, sensor)):
        with pytest.raises(CannotBeMet, match="J-2"):
            standing_of(ROTOR, known(), log(event), "J-1")
    later = log(("J-1", "3", kind, sensor))
    assert standing_of(ROTOR, known(), later, "J-2").after_run == "3"
    elsewhere = log(("J-9", "3", kind, sensor))
    other = pd.DataFrame(
        [("S", "J-9", "3", "2026-03-01")], columns=["rotor", "job", "run", "started"]
    )
    elsewhere = replace(elsewhere, runs=pd.concat([elsewhere.runs, other]))
    assert standing_of(ROTOR, known(), elsewhere, "J-1").after_run == "3"
