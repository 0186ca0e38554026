"""How much more of a weight the blades may take, by what a job's log says is fitted on them.

The rotor file's ranges: of the adjuster, shared with others on a blade, of the job's moves in sum.
"""

from __future__ import annotations

from dataclasses import dataclass

from adapt.balancing.trial.asked import Bound
from adapt.log import History
from adapt.log.jobs import runs_of_job
from adapt.planning.job.hardware import Fitted, fitted_now
from adapt.problems import BadInput, Problem, one_of, shown
from adapt.rotor import Adjuster, Rotor

__all__ = ["Room", "room_of"]


@dataclass(frozen=True)
class Room:
    """The blade with the least room of those that the trial weight may be fitted on.

    blade: its name. fitted: what it carries [the adjuster's unit]. bounds: what each range leaves.
    notes: what was assumed, and the room of the other blades.
    """

    blade: str
    fitted: float
    bounds: tuple[Bound, ...]
    notes: tuple[str, ...]

    @property
    def most(self) -> float:
        """The most that may be added."""
        return min(b.amount for b in self.bounds)


def room_of(
    rotor: Rotor,
    history: History,
    job: str,
    adjuster: Adjuster,
    blade: str | None = None,
    fitted: float | None = None,
) -> Room:
    """Return the room on the blade named; else on that of all that take the weight with the least.

    fitted: what a person says a blade carries [the adjuster's unit]; where the log says another
    amount the larger counts. What neither says counts as 0, and a note says so. Raises BadInput
    for a job or a blade that cannot be used.
    """
    runs_of_job(history, job)
    takes = [b for b in rotor.blades if adjuster.fits(b)]
    if blade is not None and blade not in takes:
        what = f"a blade of the rotor file that takes {adjuster.name}"
        expected = one_of(what, blade, takes)
        raise BadInput([Problem("fault", "blade", None, None, shown(blade), expected)])
    state = fitted_now(rotor, history, job)
    a = rotor.adjuster_names.index(adjuster.name)
    among = takes if blade is None else [blade]
    rooms = [_on(rotor, state, adjuster, name, fitted) for name in among]
    least = min(rooms, key=lambda room: room.most)
    notes = []
    if fitted is None:
        unknown = [name for name in among if not state.known[rotor.blades.index(name), a]]
        if unknown:
            which = f"blade {', '.join(unknown)}" if len(unknown) < len(takes) else "any blade"
            notes.append(
                f"The log does not record what {which} carried of {adjuster.name} at the start of "
                f"the job: 0 {adjuster.unit} is assumed."
            )
    if len({round(room.most, 9) for room in rooms}) > 1:
        each = ", ".join(f"{room.most:g} {adjuster.unit} on blade {room.blade}" for room in rooms)
        notes.append(
            f"Room for {each}. The least decides, as the weight may go on any of them; where it is "
            "known which, name it (--blade)."
        )
    return Room(least.blade, least.fitted, least.bounds, tuple(notes))


def _on(rotor: Rotor, state: Fitted, adjuster: Adjuster, blade: str, said: float | None) -> Room:
    """Return the room on one blade."""
    a, b, unit = rotor.adjuster_names.index(adjuster.name), rotor.blades.index(blade), adjuster.unit
    recorded = float(state.amounts[b, a])
    carried = recorded if said is None else max(said, recorded)
    most = adjuster.fitted_range[1]
    bounds = [
        Bound(
            "fitted range",
            max(0.0, most - carried),
            f"blade {blade} may carry {most:g} {unit}, {carried:g} {unit} are fitted",
        )
    ]
    for shared in rotor.shared_ranges:
        if adjuster.name in shared.adjusters:
            columns = [rotor.adjuster_names.index(name) for name in shared.adjusters]
            total = float(state.amounts[b, columns].sum()) + carried - recorded
            together = " and ".join(shared.adjusters)
            bounds.append(
                Bound(
                    "shared range",
                    max(0.0, shared.fitted_range[1] - total),
                    f"blade {blade} may carry {shared.fitted_range[1]:g} of {together} together, "
                    f"{total:g} are fitted",
                )
            )
    if adjuster.sum_range is not None:
        low, high = adjuster.sum_range
        moved = float(state.moved[:, a].sum())
        bounds.append(
            Bound(
                "sum",
                max(0.0, high - moved),
                f"all moves of a job may sum to {low:g} to {high:g} {unit} and sum to {moved:g} "
                f"{unit} so far, so a weight on one blade needs its counterpart on another",
            )
        )
    return Room(blade, carried, tuple(bounds), ())
