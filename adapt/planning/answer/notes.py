"""What a plan rests on, in words: its run, reviews, assumed amounts, readings carried forward."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from adapt.log import History
from adapt.planning.job.hardware import Hardware
from adapt.planning.job.standing import Standing
from adapt.rotor import Rotor

__all__ = ["assumptions", "later_runs", "reviewed"]

Int = npt.NDArray[np.int64]


def later_runs(history: History, standing: Standing) -> tuple[str, ...]:
    """Warn when the log holds later runs of the rotor than the one that the plan starts from."""
    own = history.runs[history.runs["rotor"] == standing.rotor]
    here = own.loc[(own["job"] == standing.job) & (own["run"] == standing.after_run), "started"]
    later = own[(own["job"] != standing.job) & (own["started"] > here.iloc[0])]
    if later.empty:
        return ()
    last = later.sort_values("started", kind="stable").iloc[-1]
    return (
        f"this is not the rotor's latest state: {standing.rotor} has later runs, the last in job "
        f"{last['job']} (run {last['run']}, {last['started']:%Y-%m-%d})",
    )


def reviewed(history: History, job: str) -> tuple[str, ...]:
    """Say which entries of the job reviews have corrected, and which pairs they leave out."""
    notes = []
    rows = history.corrections[history.corrections["job"] == job]
    if len(rows):
        entries = "entry is" if len(rows) == 1 else "entries are"
        numbers = ", ".join(dict.fromkeys(str(number) for number in rows["review"]))
        reviews = "review" if rows["review"].nunique() == 1 else "reviews"
        notes.append(
            f"{len(rows)} {entries} not used as entered in this job, but as {reviews} {numbers} "
            "corrected the log"
        )
    runs = history.runs.loc[history.runs["job"] == job, "run"]
    out = [str(run) for run in runs if (job, str(run)) in history.left_out]
    if out:
        notes.append(
            f"a review left out what happened after run {' and '.join(out)} of this job: the plan "
            "starts from the readings since"
        )
    return tuple(notes)


def assumptions(rotor: Rotor, hardware: Hardware, standing: Standing, steps: Int) -> list[str]:
    """Say what the plan's own moves and limits rest on."""
    notes = []
    for v in np.flatnonzero(steps):
        place = (int(hardware.blade[v]), int(hardware.adjuster[v]))
        if place in hardware.assumed:
            adjuster = rotor.adjusters[place[1]]
            notes.append(
                f"what is fitted of {adjuster.name} on blade {rotor.blades[place[0]]} is not "
                f"recorded: {hardware.fitted[place]:g} {adjuster.unit} is assumed; check before "
                "moving it"
            )
    carried = [
        f"{sensor} in {regime} (run {run})"
        for (sensor, regime), run in zip(rotor.channels, standing.read_in, strict=True)
        if run and run != standing.after_run
    ]
    carried += [
        f"track in {regime} (run {run})"
        for regime, run in zip(rotor.regime_names, standing.track_read_in, strict=True)
        if run and run != standing.after_run
    ]
    if carried:
        notes.append(
            "not read in the last run and carried forward from an earlier one: "
            + ", ".join(carried)
        )
    if standing.untaught:
        notes.append(
            f"{standing.untaught} of this job's run pairs were not in the coefficients and were "
            "taken in for this plan"
        )
    return notes
