"""From moves of the rotor file's adjusters to an unbalance, and from shared weights to moves.

So that a plan's moves can be shared over holes, and what was shared can be held against a plan.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from adapt.balancing.shares.values import Hole, Holes, Place, Shared
from adapt.phasor import to_complex
from adapt.planning.plan import Move
from adapt.problems import BadInput, CannotBeMet, one_of, shown
from adapt.rotor import Rotor

__all__ = ["moves_of", "unbalance_of"]

_BESIDE = 0.1  # of a weight: what stands across where it is 6 deg beside its place


def unbalance_of(moves: Iterable[Move], rotor: Rotor, holes: Holes) -> complex:
    """Return the change of unbalance that moves make [g mm].

    Each amount [g] stands at the radius and angle that the holes file gives for its adjuster.
    Raises BadInput for names that are not known, adjusters that are not in g, and adjusters whose
    radius the holes file does not give.
    """
    places = {place.adjuster: place for place in holes.places}
    wrong, total = [], 0j
    for number, move in enumerate(moves, start=1):
        where = f"move {number}"
        if move.blade not in rotor.blades:
            known = one_of("a blade of the rotor file", move.blade, rotor.blades)
            wrong.append(f"{where}: found blade {shown(move.blade)}, expected {known}")
        if move.adjuster not in rotor.adjuster_names:
            known = one_of("an adjuster of the rotor file", move.adjuster, rotor.adjuster_names)
            wrong.append(f"{where}: found adjuster {shown(move.adjuster)}, expected {known}")
        elif rotor.adjuster(move.adjuster).unit != "g":
            unit = rotor.adjuster(move.adjuster).unit
            wrong.append(f"{where}: {move.adjuster} is in {unit}; only weights in g can be shared")
        elif move.adjuster not in places:
            wrong.append(
                f"{where}: {holes.source or 'the holes'} has no section [[adjusters]] with the "
                f"radius of {shown(move.adjuster)}"
            )
        if not np.isfinite(move.amount):
            wrong.append(f"{where}: amount {move.amount:g}, expected a number")
        if not wrong:
            arm = _arm(rotor, places[move.adjuster], rotor.blades.index(move.blade))
            total += move.amount * arm
    if wrong:
        raise BadInput("; ".join(dict.fromkeys(wrong)))
    return total


def moves_of(shared: Shared, rotor: Rotor, holes: Holes) -> tuple[Move, ...]:
    """Return moves that do what shared weights do, for a plan's `by_hand`.

    What a hole gains that names its blade and adjuster is a move of these, of as many grams at the
    adjuster's radius, where the holes file gives it, as do the same. The rest is split over
    the two neighbouring blades, at the first adjuster whose radius the holes file gives, so that
    the unbalance is the same: readings of order 1 then change in the same way, and no others do.
    Moves need not be whole steps.

    Raises CannotBeMet where the rest cannot be split so: no adjuster with a radius, a sensor of
    another order, or blades on one line.
    """
    mass = {piece.name: piece.mass_g for piece in holes.pieces}
    by_name = {hole.name: hole for hole in holes.holes}
    amounts: dict[tuple[str, str], float] = {}
    rest, size = 0j, 0.0
    for change in shared.changes:
        hole = by_name[change.hole]
        gained = sum(n * mass[p] for p, n in change.put.items())
        gained -= sum(n * mass[p] for p, n in change.out.items())
        size += abs(gained * hole.arm)
        if hole.blade is not None and hole.adjuster is not None:
            key = (hole.blade, hole.adjuster)
            amount, left = _as_amount(gained * hole.arm, hole, rotor, holes) or (gained, 0j)
            amounts[key] = amounts.get(key, 0.0) + amount
            rest += left
        else:
            rest += gained * hole.arm
    if abs(rest) > 1e-9 * size:
        for blade, adjuster, amount in _split(rest, rotor, holes):
            key = (blade, adjuster)
            amounts[key] = amounts.get(key, 0.0) + amount
    return tuple(
        Move(blade, adjuster, amounts[blade, adjuster])
        for adjuster in rotor.adjuster_names
        for blade in rotor.blades
        if abs(amounts.get((blade, adjuster), 0.0)) > 1e-9
    )


def _as_amount(
    gained: complex, hole: Hole, rotor: Rotor, holes: Holes
) -> tuple[float, complex] | None:
    """Return what a hole gains [g mm] as an amount of its adjuster [g], and what is left of it.

    None where the holes file does not say where the adjuster's weight stands. A hole a few degrees
    beside it counts as there.
    """
    place = next((p for p in holes.places if p.adjuster == hole.adjuster), None)
    if place is None or hole.blade is None:
        return None
    arm = _arm(rotor, place, rotor.blades.index(hole.blade))
    amount = gained / arm
    beside = abs(amount.imag) > _BESIDE * abs(amount)
    return amount.real, gained - amount.real * arm if beside else 0j


def _arm(rotor: Rotor, place: Place, blade: int) -> complex:
    """Return the unbalance of 1 g of an adjuster on a blade [g mm per g]."""
    psi_deg = float(np.rad2deg(rotor.psi[blade]))
    return complex(to_complex(place.radius_mm, psi_deg + place.angle_deg))


def _split(rest: complex, rotor: Rotor, holes: Holes) -> list[tuple[str, str, float]]:
    """Return amounts [g] on at most two blades with the same unbalance, the lightest."""
    if not holes.places:
        raise CannotBeMet(
            "holes without blade and adjuster cannot be told to the planner: give the radius of an "
            "adjuster in a section [[adjusters]] of the holes file"
        )
    other = [sensor.name for sensor in rotor.sensors if sensor.order != 1]
    if other:
        raise CannotBeMet(
            f"{', '.join(other)} is not of order 1: what weights between the blades do to it is "
            "not known"
        )
    place = holes.places[0]
    arms = np.array([_arm(rotor, place, b) for b in range(len(rotor.blades))])
    best: list[tuple[str, str, float]] | None = None
    pairs = [(b, c) for b in range(len(arms)) for c in range(b + 1, len(arms))]
    for b, c in pairs:
        matrix = np.array([[arms[b].real, arms[c].real], [arms[b].imag, arms[c].imag]])
        if abs(np.linalg.det(matrix)) < 1e-6 * place.radius_mm**2:
            amount = (rest / arms[b]).real
            if abs(rest - amount * arms[b]) > 1e-9 * abs(rest):
                continue
            both = np.array([max(amount, 0.0), max(-amount, 0.0)])
        else:
            both = np.linalg.solve(matrix, np.array([rest.real, rest.imag]))
            if (both < -1e-9 * np.abs(both).max()).any():
                continue
        named = zip((rotor.blades[b], rotor.blades[c]), both, strict=True)
        tried = [(blade, place.adjuster, float(amount)) for blade, amount in named]
        if best is None or sum(t[2] for t in tried) < sum(t[2] for t in best) - 1e-9:
            best = tried
    if best is None:
        raise CannotBeMet(
            f"the blades of {rotor.name} stand on one line: an unbalance across it is no move of "
            f"{place.adjuster}; give blade and adjuster with each hole"
        )
    return best
