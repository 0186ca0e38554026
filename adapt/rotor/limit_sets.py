"""Whether a set of limits that somebody names is one of the rotor file's."""

from __future__ import annotations

from adapt.problems import BadInput, Problem, one_of, shown
from adapt.rotor.values import Rotor

__all__ = ["require_limit_set", "wrong_limit_set"]


def wrong_limit_set(rotor: Rotor, name: str | None) -> Problem | None:
    """Return what is wrong with the name of a set of limits; None (no set is named): nothing."""
    known = rotor.limit_sets()
    if name is None or name in known:
        return None
    expected = one_of("a set of limits of the rotor file", name, known)
    return Problem("fault", "limits", None, None, shown(name), expected)


def require_limit_set(rotor: Rotor, name: str | None) -> None:
    """Raise BadInput where a set of limits is named that the rotor file does not have."""
    if (wrong := wrong_limit_set(rotor, name)) is not None:
        raise BadInput([wrong])
