"""The verb: walk a log forward, predict each run by each method, and score what came of it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from adapt.chart import Chart
from adapt.learning.rows.runs import history_of
from adapt.outcomes.calibration import Brier, brier, by_experience, coverage, reliability
from adapt.outcomes.chart_fit import chart_fit
from adapt.outcomes.columns import methods_of
from adapt.outcomes.labelled import predictions_table, runs_table
from adapt.outcomes.outcome import Outcome
from adapt.outcomes.predicting import Predicted, predict
from adapt.outcomes.scores import breakdown, experience_of, summary
from adapt.outcomes.spread_out import over
from adapt.outcomes.stated import Limits
from adapt.outcomes.walk import EARLY_JOBS, GROWN, Walk
from adapt.planning.asked import Asked
from adapt.planning.job.scope import Scope
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["compare"]

Progress = Callable[[int, int], None]


def compare(
    rotor: Rotor,
    log: Any,
    chart: Chart | None = None,
    progress: Progress | None = None,
    grown: float = GROWN,
    *,
    early_jobs: int = EARLY_JOBS,
    limits: str | None = None,
    executor: Executor | None = None,
) -> Outcome:
    """Predict every run of a log from the runs before it, by each method, and score the errors.

    log: a log, its path, or a history that was checked already. chart: also the learner's start;
    without one there is no method "chart". progress: called with (jobs done, jobs in all). grown:
    the fleet's coefficients are learned anew at the start of a job before which so many times the
    runs of the last time are known; in between a rotor's own follow its runs one at a time. What is
    predicted of a run does not depend on how many come after it. early_jobs: the method "early fit"
    goes on with what was known when so many jobs had begun. limits: a named set of limits, for the
    chances. executor: where jobs are worked on, any of `concurrent.futures` (or of a cluster); the
    answer is the same.

    Raises BadInput when the log cannot be read, or for limits that the rotor file does not name
    or early_jobs below 0.
    """
    if wrong := Asked(scope=Scope(limit_set=limits)).wrong(rotor):
        raise BadInput("; ".join(wrong))
    if early_jobs < 0:
        raise BadInput(f"early jobs {early_jobs}: expected 0 or more")
    history = history_of(rotor, log)
    walk = Walk(rotor, history, chart, grown, early_jobs)
    work = partial(predict, limits=Limits.of(rotor, limits))
    report = progress or (lambda done, of: None)
    report(0, len(walk.jobs))
    found: dict[str, Predicted] = {}
    for answers in over(executor, work, walk.stretches()):
        for answer in answers:
            found[answer.job] = answer
            report(len(found), len(walk.jobs))
    methods = methods_of(chart)
    predicted = [found[job] for job in walk.jobs]
    whole_runs = runs_table(walk.runs, predicted)
    known = walk.learn_all()
    withheld = frozenset() if known is None else known.coefficients.withheld
    predictions = predictions_table(rotor, walk.runs, methods, predicted, withheld)
    notes = []
    if chart is None:
        notes.append("no chart was given: its predictions are not among the methods")
    if predictions.empty:
        notes.append(
            "no run could be predicted: in no job that is used was anything read in two runs with "
            "no event between them"
        )
    stated = predictions[predictions["method"] == methods[-1]]
    chances = _chances(stated, whole_runs)
    return Outcome(
        summary=summary(predictions, rotor),
        breakdown=breakdown(predictions, rotor),
        coverage=coverage(stated.assign(of=_of(stated), experience=experience_of(stated["pairs"]))),
        reliability=reliability(chances),
        by_experience=by_experience(chances),
        brier=_brier(chances),
        chart_fit=chart_fit(rotor, known, chart),
        predictions=predictions,
        whole_runs=whole_runs,
        jobs=predictions["job"].nunique(),
        runs=len(predictions[["job", "run"]].drop_duplicates()),
        jobs_left_out=len(history.set_aside),
        early_jobs=early_jobs,
        learned=None if known is None else known.coefficients,
        notes=tuple(notes),
    )


def _of(predictions: pd.DataFrame) -> Any:
    return np.where(predictions["sensor"].isna(), "track", "vibration")


def _chances(stated: pd.DataFrame, whole_runs: pd.DataFrame) -> pd.DataFrame:
    """Return what was stated to be inside, reading by reading and run by run, with what came."""
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "of": _of(stated),
                    "job": stated["job"],
                    "experience": experience_of(stated["pairs"]),
                    "chance": stated["chance"].astype(float),
                    "came_true": stated["inside_limit"].astype(float),
                }
            ),
            pd.DataFrame(
                {
                    "of": "run",
                    "job": whole_runs["job"],
                    "experience": experience_of(whole_runs["pairs"]),
                    "chance": whole_runs["chance"].astype(float),
                    "came_true": whole_runs["came_inside"].astype(float),
                }
            ),
        ],
        ignore_index=True,
    )


def _brier(chances: pd.DataFrame) -> dict[str, Brier]:
    told = chances.dropna(subset=["chance", "came_true"])
    return {
        str(of): brier(
            part["chance"].to_numpy(),
            part["came_true"].to_numpy() > 0.5,
            pd.factorize(part["job"])[0],
        )
        for of, part in told.groupby("of", sort=False)
    }
