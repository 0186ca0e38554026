"""Units of mass as rotor files write them."""

from __future__ import annotations

__all__ = ["grams_in"]

# The avoirdupois pound is 0.45359237 kg exactly (international yard and pound agreement, 1959).
_POUND = 453.59237
# "gr" is missing on purpose: a gram to some and a grain to others.
_GRAMS = {
    **dict.fromkeys(["mg", "milligram", "milligrams"], 1e-3),
    **dict.fromkeys(["g", "gram", "grams", "gramme", "grammes"], 1.0),
    **dict.fromkeys(["kg", "kilogram", "kilograms"], 1e3),
    **dict.fromkeys(["oz", "ounce", "ounces"], _POUND / 16.0),
    **dict.fromkeys(["lb", "lbs", "pound", "pounds"], _POUND),
}


def grams_in(unit: str) -> float | None:
    """Return how many grams a unit is, None when it is not one of mass.

    >>> grams_in("KG"), grams_in("oz"), grams_in("flats")
    (1000.0, 28.349523125, None)
    """
    return _GRAMS.get("".join(unit.split()).casefold())
