"""Rotor track and balance: learn influence coefficients, plan corrections, compare with outcomes.

Public names are loaded when first used, so that importing `adapt` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "AdaptError": "adapt.problems",
    "BadInput": "adapt.problems",
    "CannotBeMet": "adapt.problems",
    "Problem": "adapt.problems",
    "check": "adapt.log",
    "compare": "adapt.outcomes",
    "influence": "adapt.learning",
    "learn": "adapt.learning",
    "plan": "adapt.planning",
    "read_chart": "adapt.chart",
    "read_coefficients": "adapt.coefficients",
    "read_log": "adapt.log",
    "read_rotor": "adapt.rotor",
    "replay_decisions": "adapt.outcomes",
    "update": "adapt.learning",
    "write_coefficients": "adapt.coefficients",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'adapt' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
