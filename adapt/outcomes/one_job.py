"""One job looked back on: what was foretold of each of its runs, from what was known before it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from adapt.chart import Chart
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.log.jobs import runs_of_job
from adapt.outcomes.columns import methods_of
from adapt.outcomes.labelled import predictions_table, runs_table
from adapt.outcomes.predicting import predict
from adapt.outcomes.stated import Limits
from adapt.outcomes.walk import Walk
from adapt.rotor import Rotor

__all__ = ["JobOutcome", "look_back"]


@dataclass(frozen=True, eq=False)
class JobOutcome:
    """What was foretold of a job's runs, beside what was read.

    predictions, whole_runs: as in `Outcome`, of this job alone; without the method "early fit".
    before: the coefficients as they were known when the job began, of its rotor. pairs: how many
    pairs had taught them.
    """

    job: str
    predictions: pd.DataFrame
    whole_runs: pd.DataFrame
    before: Coefficients
    pairs: int


def look_back(
    rotor: Rotor,
    history: History,
    job: str,
    chart: Chart | None = None,
    limits: str | None = None,
) -> JobOutcome:
    """Predict every run of a job from what was known when it began and from its own runs before.

    Learned anew from the runs that were started before the job's first; nothing of later runs is in
    it. chart: the learner's start, and the method "chart". limits: a named set of limits.
    Raises BadInput where the job is not in the log, or set aside.
    """
    runs_of_job(history, job)
    walk = Walk(rotor, history, chart)
    stretch = walk.stretch_of(job)
    predicted = predict(stretch, Limits.of(rotor, limits))
    methods = methods_of(chart)
    table = predictions_table(rotor, walk.runs, methods, predicted, frozenset())
    known = stretch.known_before(stretch.jobs[0]).as_coefficients(rotor)
    return JobOutcome(
        job=job,
        predictions=table[table["method"] != "early fit"].reset_index(drop=True),
        whole_runs=runs_table(walk.runs, predicted).drop(columns="chance_early", errors="ignore"),
        before=known,
        pairs=len(known.taught),
    )
