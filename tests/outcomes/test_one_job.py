"""One job looked back on is the walk forward, stopped where the job began."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Fleet, fleet

from adapt.log import History
from adapt.outcomes import compare
from adapt.outcomes.one_job import look_back
from adapt.problems import BadInput

TOLD = ["method", "run", "sensor", "regime"]


@pytest.fixture(scope="module")
def flown() -> Fleet:
    return fleet(np.random.default_rng(11), rotors=4, jobs=3, runs=4)


def last_job(history: History) -> str:
    return str(history.runs.sort_values("started")["job"].iloc[-1])


def test_a_look_back_tells_what_the_whole_comparison_tells(flown: Fleet) -> None:
    # Learned anew at every job, as one job's look back is.
    whole = compare(flown.rotor, flown.history, flown.chart, grown=1.0)
    job = last_job(flown.history)
    seen = look_back(flown.rotor, flown.history, job, flown.chart)
    theirs = whole.predictions[
        (whole.predictions["job"] == job) & (whole.predictions["method"] != "early fit")
    ].set_index(TOLD)
    mine = seen.predictions.set_index(TOLD)
    assert len(mine) == len(theirs) > 20
    theirs = theirs.loc[mine.index]
    # The two start their fits from other places.
    np.testing.assert_allclose(mine["error"], theirs["error"], rtol=0.02, atol=2e-4)
    np.testing.assert_array_equal(mine["read"], theirs["read"])
    stated = whole.whole_runs[whole.whole_runs["job"] == job]["chance"]
    np.testing.assert_allclose(seen.whole_runs["chance"], stated, atol=0.03)


def test_nothing_of_later_runs_is_in_it(flown: Fleet) -> None:
    runs = flown.history.runs.sort_values("started")
    job = str(runs["job"].iloc[len(runs) // 2])
    began = runs.loc[runs["job"] == job, "started"].min()
    later = set(runs.groupby("job")["started"].min().loc[lambda s: s > began].index)
    assert later
    readings = flown.history.readings.copy()
    readings.loc[readings["job"].isin(later), "value"] *= 3.0 + 1.0j
    changed = replace(flown.history, readings=readings)
    before = look_back(flown.rotor, flown.history, job, flown.chart)
    after = look_back(flown.rotor, changed, job, flown.chart)
    pd.testing.assert_frame_equal(before.predictions, after.predictions)
    pd.testing.assert_frame_equal(before.whole_runs, after.whole_runs)
    assert before.before.taught == after.before.taught
    assert before.pairs == len(before.before.taught)
    assert all(taught != job for taught, _ in before.before.taught)


def test_the_first_job_of_all_knows_the_chart_alone(flown: Fleet) -> None:
    job = str(flown.history.runs.sort_values("started")["job"].iloc[0])
    seen = look_back(flown.rotor, flown.history, job, flown.chart)
    assert seen.pairs == 0
    # The second run: nothing but the chart, and one reading of each channel, is known by then.
    second = seen.predictions[seen.predictions["run"] == seen.predictions["run"].iloc[0]]
    by = {m: part["predicted"].to_numpy() for m, part in second.groupby("method")}
    read = second["sensor"].notna().to_numpy()[second["method"].to_numpy() == "chart"]
    np.testing.assert_allclose(by["learned"][read], by["chart"][read], atol=1e-9)


def test_without_a_chart_there_is_no_method_chart(flown: Fleet) -> None:
    seen = look_back(flown.rotor, flown.history, last_job(flown.history))
    assert set(seen.predictions["method"]) == {"no change", "learned"}


def test_a_job_that_is_not_there_is_told(flown: Fleet) -> None:
    with pytest.raises(BadInput, match="job nowhere is not in the log"):
        look_back(flown.rotor, flown.history, "nowhere", flown.chart)
