"""What is still poorly known, and which move on the next job would teach most.

Built from `learning.teaching`; advice on learning, and said to be that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import pandas as pd

from adapt.coefficients import Coefficients
from adapt.learning.teaching import TeachingStep, poorly_known, teaching_moves
from adapt.reports.layout import Block, Heading, Line, Table, table
from adapt.reports.wording import NOTHING, number, percent, signed
from adapt.rotor import Rotor

__all__ = ["next_steps", "teaching_blocks", "worst_known"]

MOST_POOR = 8
MOST_ROTORS = 5
MOST_STEPS = 10
UNSEEN = "a new rotor"


def teaching_blocks(
    learned: Coefficients, rotor: Rotor, serial: str | None = None
) -> Iterable[Block]:
    """Yield what is poorly known and what would teach most, of one rotor or of the fleet."""
    poor = worst_known(learned, rotor, serial)
    if not len(poor):
        return
    yield Heading("Still poorly known")
    yield _poor(poor, rotor, serial)
    yield Line(
        "One sd per component of what a usual move does, as a share of the limit"
        + ("." if serial else ": for a rotor without runs, and for the least known with runs.")
    )
    steps = next_steps(learned, rotor, serial)
    if not steps:
        return
    yield Heading("What would teach most on the next job")
    yield _steps(steps, rotor)
    yield Line(
        "Now and then: doubt of the moved adjusters, over all limited readings, before and after "
        "one more pair of runs; Gone: share of the variance of all usual moves that it removes. "
        "Blades show how the moves lie to each other. Advice on learning, not a correction: the "
        "plan for the correction comes first, and its limits hold for every run."
    )


def worst_known(learned: Coefficients, rotor: Rotor, serial: str | None = None) -> pd.DataFrame:
    """Return the worst known effects: of one rotor, or of each adjuster on each sensor.

    As `poorly_known`; of the fleet for a rotor without runs, with worst_ratio and worst_rotor: the
    same for the rotor with runs of which least is known.
    """
    known = poorly_known(learned, rotor)
    if serial is not None:
        return known[known["rotor"] == serial].head(MOST_POOR)
    with_runs = known["rotor"].notna()
    key = ["sensor", "adjuster"]
    worst = known[with_runs].drop_duplicates(key)[[*key, "ratio", "rotor"]]
    worst = worst.rename(columns={"ratio": "worst_ratio", "rotor": "worst_rotor"})
    return known[~with_runs].drop_duplicates(key).head(MOST_POOR).merge(worst, how="left", on=key)


def next_steps(
    learned: Coefficients, rotor: Rotor, serial: str | None = None
) -> list[tuple[str | None, TeachingStep]]:
    """Return the most teaching steps, of one rotor or of those of which least is known.

    Of the fleet: for a rotor without runs and for the rotors of which least is known, the best one
    adjuster and the best two together.
    """
    if serial is not None:
        return [(serial, step) for step in teaching_moves(learned, rotor, serial)[:MOST_STEPS]]
    known = poorly_known(learned, rotor)
    doubt = known[known["rotor"].notna()].groupby("rotor", sort=False)["ratio"]
    least = doubt.agg(lambda ratio: (ratio**2).mean()).sort_values(ascending=False, kind="stable")
    found: list[tuple[str | None, TeachingStep]] = []
    for name in (None, *least.index[:MOST_ROTORS]):
        steps = teaching_moves(learned, rotor, name)
        for together in (False, True):
            of_kind = [s for s in steps if (len({m.adjuster for m in s.moves}) > 1) == together]
            found += [(name, step) for step in of_kind[:1]]
    return found


def _poor(poor: pd.DataFrame, rotor: Rotor, serial: str | None) -> Table:
    rows = []
    for row in poor.to_dict("records"):
        adjuster = rotor.adjuster(row["adjuster"])
        where = "track" if row["sensor"] is None else row["sensor"]
        cells = [
            adjuster.name,
            f"{row['amount']:g} {adjuster.unit}",
            f"{where}, {row['regime']}",
            _doubt(row["ratio"]),
        ]
        if serial is None and _any_with_runs(poor):
            cells += [_doubt(row["worst_ratio"]), str(row["worst_rotor"])]
        rows.append(cells)
    titles = ["Adjuster", ">Usual move", "Reading"]
    if serial is not None:
        return table([*titles, ">Doubt"], rows)
    return table([*titles, ">New rotor", *([">Worst", "Of"] if _any_with_runs(poor) else [])], rows)


def _any_with_runs(poor: pd.DataFrame) -> bool:
    return bool(poor["worst_rotor"].notna().any())


def _doubt(ratio: float) -> str:
    return "not known" if math.isinf(ratio) else number(ratio)


def _steps(steps: Sequence[tuple[str | None, TeachingStep]], rotor: Rotor) -> Table:
    rows, before = [], ""
    for name, step in steps:
        who = name or UNSEEN
        told = "new" if math.isnan(step.removed) else None
        rows.append(
            (
                "" if who == before else who,
                "; ".join(
                    f"{m.blade} {m.adjuster} {signed(m.amount, rotor.adjuster(m.adjuster).step)} "
                    f"{rotor.adjuster(m.adjuster).unit}"
                    for m in step.moves
                ),
                NOTHING if told else number(step.before),
                NOTHING if told else number(step.after),
                told or percent(step.removed),
            )
        )
        before = who
    return table(["Rotor", "Moves between two runs", ">Now", ">Then", ">Gone"], rows)
