"""Weights shared over holes as a technician reads them, and as a document for scripts.

Built from a `Shared`, its holes and the rotor file; nothing is searched here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

from adapt.balancing.shares import Difference, Holes, Shared
from adapt.balancing.shares.values import PIECES_ASKED_FOR
from adapt.phasor import phase_deg
from adapt.planning.plan import Move, Plan
from adapt.reports import cautions
from adapt.reports.balancing.order_of_work import is_shaft_or_fan
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.planning.plan_documents import plan_document
from adapt.reports.planning.planned_beside import beside, in_short
from adapt.reports.wording import NOTHING, count, joined, number
from adapt.rotor import Rotor

__all__ = ["share_document", "share_report"]

CHECKS: tuple[str, ...] = (
    "Weigh the pieces: the answer rests on the masses in the holes file.",
    "Weights secured, torqued and locked as the manual says, and recorded hole by hole; nothing "
    "can touch through the whole range of movement.",
    *cautions.ALWAYS,
)
"""Common practice of the trade (no source); the maintenance manual comes before every one."""


def share_report(
    shared: Shared,
    holes: Holes,
    rotor: Rotor,
    moves: Sequence[Move] = (),
    plan: Plan | None = None,
    apart: Sequence[Difference] = (),
) -> list[Block]:
    """Return the report. moves: what the weights are as moves; plan: the plan they stand beside.

    apart: where the holes file and the log do not agree on what is fitted.
    """
    report: list[Block] = [
        Heading(f"Weights over holes: {rotor.name}", 1),
        *_asked(shared, holes, rotor),
    ]
    report += [*_verdict(shared), Line(_proof(shared))]
    if shared.doubts:
        report += [Heading("Look at this first")]
        report += [Bullets(tuple(f"{text}." for text in shared.doubts), "bad")]
        report.append(
            Line("Such a hole is left, or changed towards its limit; ask the manual before flight.")
        )
    if apart:
        report += [Heading("What is fitted is not known for certain")]
        report += [Bullets(tuple(_apart(d) for d in apart), "bad")]
        report.append(
            Line("Count the pieces on the rotor, put the file or the log right, ask again.")
        )
    if _much(shared):
        reasons = ("the correction is far more than these holes and pieces can make",)
        report.append(Line(cautions.stop_and_inspect(reasons), "bad"))
    if shared.changes:
        report += [Heading("What to do"), *_changes(shared, holes)]
    if moves:
        report += [Heading("As moves for the planner"), Line(f"{in_short(moves, rotor)}.")]
        report.append(
            Line("These do what the pieces do, and need not be whole steps of the rotor file.")
        )
    if plan is not None:
        report += beside(replace(plan, lessons=(), savings=(), next_stage=None), rotor)
    if shared.changes:
        report += [Heading("Checks that these weights call for"), Bullets(CHECKS)]
    return [*report, Heading("Cautions"), Bullets(cautions.SHORT)]


def _asked(shared: Shared, holes: Holes, rotor: Rotor) -> Iterable[Block]:
    change = f"a change of {_vector(shared.target)}"
    if shared.aim == "combine":
        and_change = f", and {change}" if shared.target else ""
        text = f"Asked for: what is fitted now in the fewest pieces{and_change}."
    else:
        text = f"Asked for: {change}, weight to be added at that angle."
        if not shared.target:
            text = "Asked for: no change."
    yield Line(text)
    yield Line(
        f"Angles count from blade {rotor.blades[0]}, in the order in which the blades pass the "
        f"airframe; {_plane(holes)}."
    )
    adjusters = list(dict.fromkeys(h.adjuster for h in holes.holes if h.adjuster is not None))
    if len(adjusters) > 1 and not holes.holes[0].plane and is_shaft_or_fan(rotor):
        yield Line(
            f"If {joined(adjusters)} stand in different planes, this answer is wrong: name the "
            "plane of each in the holes file (plane) and share each plane by itself.",
            "bad",
        )


def _plane(holes: Holes) -> str:
    """Return what is taken for one plane, in words."""
    plane = holes.holes[0].plane
    if not plane:
        return "all holes count as one plane"
    return (
        f"only the holes of plane {plane} are looked at, so take what is put in or out in other "
        "planes off the stock"
    )


def _verdict(shared: Shared) -> Iterable[Block]:
    left = f"{_vector(shared.residual)} {_share(shared)}".strip()
    done = "Nothing is changed"
    if shared.changes:
        pieces = count(shared.handled, "piece")
        done = f"{pieces} put in or taken out, {count(shared.opened, 'hole')} opened"
    if shared.feasible:
        allowed = (
            "" if math.isinf(shared.tolerance) else f"; {shared.tolerance:.4g} g mm is allowed"
        )
        yield Line(f"{done}: what is left is {left}{allowed}.")
        return
    asked = f" with {count(shared.most_pieces, 'piece')}" if shared.most_pieces is not None else ""
    yield Line(
        f"Nothing found{asked} leaves as little as {shared.tolerance:.4g} g mm. "
        f"{done}: what is left then is {left}.",
        "bad",
    )
    if shared.stopped_by:
        ways = joined(list(shared.stopped_by))
        more = "any one of these, given way, would open a way" if len(shared.stopped_by) > 1 else (
            "given way, it would open a way"
        )  # fmt: skip
        yield Line(f"What stops it: {ways}; {more}.", "bad")
    else:
        yield Line(
            "What stops it: where the holes are and what the pieces weigh. No single limit, given "
            "way, was found to open a way.",
            "bad",
        )


def _much(shared: Shared) -> bool:
    """Return whether over a quarter of the target stays: the program's own threshold, set low.

    Not where only the number of pieces that was asked for stands in the way.
    """
    if PIECES_ASKED_FOR in shared.stopped_by:
        return False
    return not shared.feasible and abs(shared.residual) > 0.25 * abs(shared.target) > 0.0


def _share(shared: Shared) -> str:
    if not shared.target:
        return ""
    share = 100.0 * abs(shared.residual) / abs(shared.target)
    return f"({share:{'.2g' if share < 99.5 else '.0f'}} % of it)"


def _proof(shared: Shared) -> str:
    if not shared.feasible:
        if shared.proven:
            return "Proven: with these holes, pieces and limits nothing comes nearer."
        return "Not proven to be the nearest."
    if shared.aim == "nearest":
        if shared.proven:
            return "Proven: no answer within that number of pieces leaves less."
        known = shared.least_residual
        return "Not proven to be the nearest" + (
            f"; proven: at least {number(known, 1)} g mm is left." if known else "."
        )
    counted = "pieces fitted" if shared.aim == "combine" else "pieces"
    if shared.proven:
        return (
            f"Proven: no answer has fewer {counted}, and none of as many has fewer holes opened or "
            "leaves less."
        )
    mine = shared.pieces_after if shared.aim == "combine" else shared.handled
    if mine == shared.least:
        return f"Proven: no answer has fewer {counted}. Not proven: that none of as many is better."
    return f"Not proven to be the best; proven: it takes at least {shared.least} {counted}."


def _changes(shared: Shared, holes: Holes) -> Iterable[Block]:
    by_name = {hole.name: hole for hole in holes.holes}
    rows = []
    for change in shared.changes:
        hole = by_name[change.hole]
        rows.append(
            (
                hole.name,
                number(hole.angle_deg, 1),
                number(hole.radius_mm, 1),
                _pieces(change.out),
                _pieces(change.put),
                _pieces(change.after, "empty"),
                f"{_mass(change.after, holes):.6g}",
            )
        )
    titles = ["Hole", ">At [deg]", ">Radius [mm]", "Take out", "Put in", "Then fitted", ">Then [g]"]
    yield table(titles, rows)
    yield Line(
        f"Pieces fitted in all holes: {shared.pieces_before} now, {shared.pieces_after} then. "
        "Holes that are not listed stay as they are."
    )


def _pieces(counts: Mapping[str, int], nothing: str = NOTHING) -> str:
    return ", ".join(f"{n} x {name}" for name, n in counts.items()) or nothing


def _mass(counts: Mapping[str, int], holes: Holes) -> float:
    return sum(n * piece.mass_g for piece in holes.pieces if (n := counts.get(piece.name, 0)))


def _vector(value: complex) -> str:
    """Return an unbalance with its angle; the size alone where it has none.

    >>> _vector(100j), _vector(0j)
    ('100.0 g mm at 90.0 deg', '0.0 g mm')
    """
    text = f"{abs(value):.1f} g mm"
    return text if abs(value) < 0.05 else f"{text} at {_angle(value):.1f} deg"


def _angle(value: complex) -> float:
    """Return an angle that rounds to less than 360."""
    angle = float(phase_deg(value))
    return 0.0 if angle >= 359.95 else angle


def _apart(d: Difference) -> str:
    return (
        f"{d.adjuster} on blade {d.blade}: {d.in_holes_g:g} g by the holes file, {d.in_log_g:g} g "
        "by the log."
    )


def share_document(
    shared: Shared,
    holes: Holes,
    rotor: Rotor,
    moves: Sequence[Move] | None = None,
    plan: Plan | None = None,
    apart: Sequence[Difference] = (),
) -> dict[str, Any]:
    """Return the answer for scripts.

    Unbalances [g mm] with their angle from the first blade; angle null where nothing is left.
    fitted: what every hole holds then. moves null: not asked for, or they cannot be told.
    """
    then = {hole.name: dict(hole.fitted) for hole in holes.holes}
    then.update({change.hole: dict(change.after) for change in shared.changes})
    return {
        "rotor": rotor.name,
        "holes_file": holes.source,
        "plane": holes.holes[0].plane or None,
        "aim": shared.aim,
        "feasible": shared.feasible,
        "differs_from_log": [asdict(d) for d in apart],
        "proven": shared.proven,
        "target": _unbalance(shared.target),
        "tolerance_g_mm": shared.tolerance,
        "most_pieces": shared.most_pieces,
        "achieved": _unbalance(shared.achieved),
        "residual": _unbalance(shared.residual),
        "handled": shared.handled,
        "opened": shared.opened,
        "pieces_before": shared.pieces_before,
        "pieces_after": shared.pieces_after,
        "pieces_at_least": shared.least if shared.feasible and shared.aim != "nearest" else None,
        "residual_at_least_g_mm": shared.least_residual,
        "stopped_by": list(shared.stopped_by),
        "doubts": list(shared.doubts),
        "changes": [
            {
                "hole": change.hole,
                "take_out": dict(change.out),
                "put_in": dict(change.put),
                "fitted": dict(change.after),
                "fitted_g": _mass(change.after, holes),
            }
            for change in shared.changes
        ],
        "fitted": {name: {k: n for k, n in of.items() if n} for name, of in then.items()},
        "moves": None
        if moves is None
        else [{"blade": m.blade, "adjuster": m.adjuster, "amount": m.amount} for m in moves],
        "beside_plan": None if plan is None else plan_document(plan, rotor, "", ())["by_hand"],
        "seconds": shared.seconds,
    }


def _unbalance(value: complex) -> dict[str, float | None]:
    return {
        "amount_g_mm": abs(value),
        "angle_deg": None if abs(value) < 1e-9 else float(phase_deg(value)),
    }
