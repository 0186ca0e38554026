"""Which pairs of a log specialists changed, and whether coefficients were taught before they did.

A decision on a suspect entry changes what its pair says; coefficients that the pair taught as it
was before are not true to the log any more. Which decisions there are lives in `log`.
"""

from __future__ import annotations

import numpy as np

from adapt.coefficients.values import Coefficients
from adapt.log import History
from adapt.problems import BadInput

__all__ = ["changed_since", "require_reviews", "review_notes", "reviewed", "reviewed_in"]

Pairs = frozenset[tuple[str, str]]

KEPT = "kept"


def reviewed(history: History) -> list[list[str]]:
    """Return what decisions change of each pair, as JSON values: job, after_run, and the change."""
    rows = history.corrections
    before = _run_before(history)
    told = [[job, after_run, "left out"] for job, after_run in history.left_out]
    told += [[job, after_run, KEPT] for job, after_run in history.kept]
    for table, job, run, *place, value in zip(
        *(rows[c] for c in ("table", "job", "run", "blade", "adjuster", "sensor", "regime")),
        rows["corrected"],
        strict=True,
    ):
        change = " ".join(filter(None, place)) + f" {complex(np.round(value, 9))}"
        touched = [run] if table == "moves" else [run, before.get((job, run))]
        told += [[job, after_run, change] for after_run in touched if after_run is not None]
    return sorted(told)


def reviewed_in(coefficients: Coefficients, history: History) -> list[list[str]]:
    """Return `reviewed` of a history, with what was known of jobs that it does not hold."""
    jobs = set(history.runs["job"])
    return sorted(
        [list(row) for row in coefficients.origin.get("reviewed", []) if row[0] not in jobs]
        + reviewed(history)
    )


def changed_since(coefficients: Coefficients, history: History) -> Pairs:
    """Return the pairs (job, after_run) on which decisions differ from those then in force."""
    then, now = _then_and_now(coefficients, history)
    return frozenset((job, after_run) for job, after_run, _ in then ^ now)


def require_reviews(coefficients: Coefficients, history: History) -> None:
    """Raise BadInput when a pair that taught was corrected, excluded or put in doubt since."""
    then, now = _then_and_now(coefficients, history)
    # That a pair which taught was found right changes nothing of what it taught.
    differ = (then - now) | {row for row in now - then if row[2] != KEPT}
    stale = sorted({(job, after_run) for job, after_run, _ in differ} & coefficients.taught)
    if stale:
        named = ", ".join(f"{job} after run {run}" for job, run in stale[:3])
        more = f" and {len(stale) - 3} more" if len(stale) > 3 else ""
        raise BadInput(
            f"these coefficients were taught by entries on which reviews have changed since "
            f"({named}{more}): learn again"
        )


def _then_and_now(
    coefficients: Coefficients, history: History
) -> tuple[set[tuple[str, str, str]], set[tuple[str, str, str]]]:
    """Return the changes (job, after_run, change) in force when learned, and those of a history."""
    then, now = coefficients.origin.get("reviewed", []), reviewed_in(coefficients, history)
    return {(a, b, c) for a, b, c in then}, {(a, b, c) for a, b, c in now}


def review_notes(history: History) -> list[str]:
    """Say what of a log is used otherwise than it was entered, or used although it was suspect."""

    def count(number: int, one: str, many: str) -> str:
        return f"{number} {one if number == 1 else many}"

    corrected = int(history.corrections["corrected"].notna().sum())
    unused = len(history.corrections) - corrected
    told = [
        (corrected, count(corrected, "entry is", "entries are") + " used as corrected"),
        (unused, count(unused, "reading is", "readings are") + " not used"),
        (len(history.left_out), "nothing is learned from "
         + count(len(history.left_out), "pair that was", "pairs that were") + " left out"),
        (len(history.kept), count(len(history.kept), "pair was", "pairs were")
         + " found right as entered"),
    ]  # fmt: skip
    said = [words for number, words in told if number]
    return [f"reviews of suspect entries: {'; '.join(said)}"] if said else []


def _run_before(history: History) -> dict[tuple[str, str], str]:
    """Return the run before each run of a job, by (job, run)."""
    runs = history.runs
    earlier = runs.groupby("job", sort=False)["run"].shift()
    return {
        (str(job), str(run)): str(before)
        for job, run, before in zip(runs["job"], runs["run"], earlier, strict=True)
        if isinstance(before, str)
    }
