"""What coefficients rest on in a rotor file, and whether a rotor file is theirs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from adapt.coefficients.values import Coefficients
from adapt.problems import BadInput, Problem
from adapt.rotor import Rotor

__all__ = ["identity_of", "require_design"]


def identity_of(rotor: Rotor) -> dict[str, Any]:
    """Return what coefficients rest on in a rotor file: with another of these they mean nothing."""
    n = len(rotor.blades)
    return {
        "name": rotor.name,
        "blades": list(rotor.blades),
        "azimuth_deg": list(rotor.azimuth_deg or (360.0 * b / n for b in range(n))),
        "sensors": [
            {
                "name": s.name,
                "unit": s.unit,
                "phase": s.phase,
                "order": s.order,
                "combination": None if s.combination is None else dict(s.combination),
            }
            for s in rotor.sensors
        ],
        "regimes": list(rotor.regime_names),
        "adjusters": [[a.name, a.unit] for a in rotor.adjusters],
        "track_unit": rotor.track_unit,
    }


def require_design(coefficients: Coefficients, rotor: Rotor, source: str = "coefficients") -> None:
    """Raise BadInput with every way in which coefficients are not of this rotor file.

    source: their file, for the message. The first blade, the order of the blades, units and phase
    conventions are part of what a coefficient means.
    """
    wanted = identity_of(rotor)
    found = coefficients.origin.get("identity")
    pairs: list[tuple[str, Any, Any]] = [
        ("design", coefficients.design, rotor.name),
        ("channels", coefficients.channels, rotor.channels),
        ("regimes", coefficients.regimes, rotor.regime_names),
        ("adjusters", coefficients.adjusters, rotor.adjuster_names),
    ]
    if isinstance(found, Mapping):
        pairs += [
            (key, found.get(key), wanted[key])
            for key in ("blades", "azimuth_deg", "sensors", "adjusters", "track_unit")
        ]
    problems = [
        Problem("fault", source, None, what, repr(had), f"{has!r}, as in the rotor file")
        for what, had, has in pairs
        if had != has
    ]
    if problems:
        raise BadInput(problems)
