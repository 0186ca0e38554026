"""Weights in grams and the highest speed: what force and unbalance rest on in a rotor file."""

from __future__ import annotations

from adapt.problems import BadInput, Problem, shown
from adapt.rotor import Adjuster, Rotor
from adapt.rotor.masses import grams_in

__all__ = ["grams_per_unit", "highest_rpm", "is_mass", "one_weight", "weights_of"]


def grams_per_unit(adjuster: Adjuster, source: str = "rotor file") -> float:
    """Return the mass of one unit of an adjuster [g].

    source: the rotor file, for the message. Raises BadInput where its unit is not one of mass.

    >>> grams_per_unit(Adjuster("tip weight", "oz", 0.1, (0.0, 8.0)))
    28.349523125
    """
    found = grams_in(adjuster.unit)
    if found is None:
        raise BadInput([_no_mass(adjuster, source)])
    return found


def is_mass(adjuster: Adjuster) -> bool:
    """Return whether an adjuster's unit is one of mass."""
    return grams_in(adjuster.unit) is not None


def one_weight(rotor: Rotor, name: str | None = None) -> Adjuster:
    """Return the weight of that name, or the only weight of the rotor.

    Raises BadInput where it is not there or no weight, or where none is named and there are more.
    """
    found = weights_of(rotor, () if name is None else (name,))
    if len(found) > 1:
        names = ", ".join(a.name for a in found)
        source = rotor.source or "rotor file"
        raise BadInput([Problem("fault", source, None, "adjuster", "nothing", f"one of {names}")])
    return found[0]


def highest_rpm(rotor: Rotor) -> float:
    """Return the highest speed [1/min] that the rotor file names, of the rotor or of a regime.

    >>> highest_rpm(Rotor("fan", ("1",), 1480.0, (), (), (), ()))
    1480.0
    """
    return max([rotor.rpm, *(r.rpm for r in rotor.regimes if r.rpm is not None)])


def weights_of(rotor: Rotor, names: tuple[str, ...] = ()) -> tuple[Adjuster, ...]:
    """Return the adjusters that are weights: those named, or all of that kind with a unit of mass.

    Raises BadInput with every name that is not an adjuster or not a weight, or when the rotor has
    no weights.
    """
    source = rotor.source or "rotor file"
    known = {a.name: a for a in rotor.adjusters}
    problems = [
        Problem("fault", source, None, "adjusters", shown(name), f"one of {', '.join(known)}")
        for name in names
        if name not in known
    ]
    chosen = [known[name] for name in names if name in known]
    problems += [_no_mass(a, source) for a in chosen if not is_mass(a)]
    if not names:
        chosen = [a for a in rotor.adjusters if a.kind in (None, "weight") and is_mass(a)]
        if not chosen:
            problems = [_no_mass(a, source) for a in rotor.adjusters]
    if problems:
        raise BadInput(problems)
    return tuple(chosen)


def _no_mass(adjuster: Adjuster, source: str) -> Problem:
    expected = "a unit of mass (mg, g, kg, oz, lb): force and unbalance need the mass of the weight"
    where = f"adjuster {adjuster.name}, unit"
    return Problem("fault", source, None, where, repr(adjuster.unit), expected)
