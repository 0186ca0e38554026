"""What wrong entries in earlier jobs cost tonight, with and without the list of suspects.

    python studies/wrong_entries_cost.py --workers 2 --folder wrong      # 1,000 jobs a cell
    python studies/wrong_entries_cost.py --quick                         # within three minutes

The closed loop of `flights_to_limits` on the independent machine. Of the earlier pairs, of the
fleet and of the rotor itself, about the stated share is touched by wrong entries of every usual
kind (`wrong_logs`: two of three in moves, the rest in readings). Learned with suspect entries held
back, as `learn` and `update` do ("held back"), and with every entry taken as found right by a
specialist ("used"). Tonight's own entries are right. Jobs are independent (each has a fleet, a
chart and a rotor of its own); intervals (95 %) come from resampling whole jobs.

Columns. error: of the rotor's coefficients before tonight, a share of their size (rms over all
that has a limit, a step of each adjuster). corrections, inside first, not done, moves, stated, less
true: as in `flights_to_limits`. more: corrections more than with nothing wrong and suspects held
back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from asking import ended
from closed_loop import (
    Outcome,
    error_of,
    learned_from_fleet,
    learned_from_own,
    planner,
    to_limits,
    with_own,
)
from flights_to_limits import row_of
from kept import kept_figure
from loop_figures import by_condition
from loop_history import LogJob
from loop_tables import Cells, Value, put
from loop_workers import arguments, results_of, seeds_of
from loop_worlds import Night, Setting, night_of
from wrong_logs import Job, spoiled
from wrong_logs import Setting as Mistakes

SHARES = (0.0, 0.05, 0.15)
HOW = {"held back": True, "used": False}
PAIRS = 4  # of the rotor's own


def spoiled_night(night: Night, share: float) -> Night:
    """Return a job whose earlier jobs hold wrong entries in about a share of their pairs."""
    rng = np.random.default_rng([night.seed, 6, round(1000 * share)])
    mistakes = Mistakes(
        np.array([a.step for a in night.rotor.adjusters]), np.ones(night.first.readings.shape)
    )

    def written(job: LogJob) -> LogJob:
        own = np.zeros((*night.first.readings.shape, len(night.rotor.adjusters)), dtype=complex)
        was = Job(job.name, job.serial, own, job.moves, job.readings)
        now, _ = spoiled(was, mistakes, share, rng)
        return replace(job, moves=now.made, readings=now.readings)

    return replace(
        night, others=tuple(map(written, night.others)), own=tuple(map(written, night.own))
    )


def one_job(seed: int) -> list[Outcome]:
    """Return one job for every share of wrong entries, held back or used, by what was learned."""
    night = night_of(seed, Setting())
    found = []
    for share in SHARES:
        wrong = spoiled_night(night, share)
        for how, hold_back in HOW.items():
            fleet = learned_from_fleet(wrong, hold_back)
            learned = {
                "fleet": fleet,
                f"fleet, {PAIRS} pairs": with_own(wrong, fleet, PAIRS, hold_back),
                f"own, {PAIRS} pairs": learned_from_own(wrong, PAIRS, hold_back),
            }
            for who, known in learned.items():
                cell = (f"{100 * share:g} %", how, who)
                outcome = to_limits(night, planner(known), cell)[0]
                found.append(replace(outcome, error=error_of(night, known)))
    return found


def rows_of(cells: Cells) -> list[dict[str, Value]]:
    """Return the table."""
    rows = []
    for cell in cells.by_cell:
        row: dict[str, Value] = dict(zip(("wrong", "entries", "who decides"), cell, strict=True))
        row["error"] = cells.mean(cell, "error")
        row |= row_of(cells, cell, None)
        row["more"] = cells.less(cell, ("0 %", "held back", cell[2]), "corrections")
        rows.append(row)
    return rows


def main() -> None:
    """Print the table."""
    asked = arguments(__doc__, jobs=1000, quick=10).parse_args()
    cells = Cells(results_of(asked, one_job, seeds_of(asked)))
    rows = rows_of(cells)
    title = f"What wrong entries in earlier jobs cost, {cells.jobs} jobs a cell"
    put(asked.folder, "wrong_entries", title, rows)
    shown = [{**r, "wrong entries": f"{r['wrong']} wrong, {r['entries']}"} for r in rows]
    columns = ["corrections", "inside first", "error"]
    figure = by_condition(shown, "wrong entries", "who decides", columns)
    kept_figure(asked.folder, "wrong_entries", figure)


if __name__ == "__main__":
    ended(main)
