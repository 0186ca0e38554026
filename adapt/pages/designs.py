"""Which design a page is about, what was learned of it, and work on it that is still on its way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import render_template, request

from adapt.coefficients import Coefficients
from adapt.pages import tasks
from adapt.pages.work import Work
from adapt.problems import BadInput, shown
from adapt.reports.wording import count
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["design_asked_for", "learning_of", "learning_words", "serials_of", "waiting"]


def design_asked_for(state: State) -> Rotor | None:
    """Return the rotor file of the design that the request names, the first where it names none.

    None where no rotor file is kept. Raises BadInput for a design that is not there.
    """
    rotors = state.rotors()
    name = request.values.get("design", "")
    if not rotors or (name and name not in rotors):
        if not name:
            return None
        raise BadInput(
            f"design: found {shown(name)}; expected one whose rotor file is kept"
            + (f": {', '.join(rotors)}" if rotors else "; none is")
        )
    if name:
        return rotors[name]
    run = {job.design for job in state.jobs().values()}
    return next((r for r in rotors.values() if r.name in run), next(iter(rotors.values())))


def serials_of(state: State, rotor: Rotor) -> dict[str, list[Any]]:
    """Return the jobs of a design by the rotor's serial, both in the log's order."""
    found: dict[str, list[Any]] = {}
    for job in state.jobs().values():
        try:
            mine = state.rotor_of(job) is rotor
        except BadInput:
            continue
        if mine:
            found.setdefault(job.rotor, []).append(job)
    return found


def learning_of(shop: Shop, change: int, rotor: Rotor) -> Work:
    """Return the work of learning a design from one state, begun where it was not."""
    return shop.works.begin(
        f"Learning the {rotor.name} from the whole logbook", tasks.learn_all, shop.fleet.place,
        change, rotor.name, kind=f"learned {rotor.name}",
    )  # fmt: skip


def learning_words(learned: Coefficients) -> str:
    """Return what coefficients learned just now rest on, in words."""
    start = "without a chart" if learned.chart is None else "starting from the chart"
    pairs, rotors = len(learned.taught), len(learned.rotors)
    return f"Learned from {count(pairs, 'pair')} of runs on {count(rotors, 'rotor')}, {start}."


def waiting(state: State, work: Work, back: str) -> tuple[str, int]:
    """Return the page of work that is on its way; back: where to go where it is given up."""
    return render_template("waiting.html", state=state, work=work, back=back), 202
