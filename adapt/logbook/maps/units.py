"""Units of an instrument as exact factors, and numbers converted so that they keep their precision.

Which unit stands in which column is said by the map.
"""

from __future__ import annotations

import decimal
import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cache, cached_property

from adapt.problems import AdaptError, one_of, shown

__all__ = ["MEASURED", "QUANTITY_OF", "Scale", "scale_between", "unit_name", "units_of"]

_EXACT = decimal.Context(prec=60, Emax=999, Emin=-999)
LEAST_FIGURES = 5
MOST_KNOWN = 100_000
MOST_FIGURES = 15  # what a double holds of any decimal text

_POUND_G = Fraction("453.59237")  # exact: international yard and pound agreement, 1959
_INCH_MM = Fraction("25.4")  # exact: the same
_G = Fraction("9.80665")  # [m/s^2], exact: 3rd General Conference on Weights and Measures, 1901

_FACTORS: Mapping[str, Mapping[str, Fraction | int]] = {
    "velocity": {"ips": _INCH_MM, "mm/s": 1, "cm/s": 10, "m/s": 1000},
    "acceleration": {"g": _G, "m/s2": 1},
    "length": {"mm": 1, "cm": 10, "m": 1000, "in": _INCH_MM},
    "mass": {"g": 1, "kg": 1000, "lb": _POUND_G, "oz": _POUND_G / 16},
    "speed": {"kt": Fraction(1852, 3600), "m/s": 1, "km/h": Fraction(1000, 3600)},
    "angle": {"deg": 1},
}
# Of each quantity: unit by unit (factor, offset) to a common one.
_UNITS: Mapping[str, Mapping[str, tuple[Fraction, Fraction]]] = {
    **{q: {n: (Fraction(f), Fraction(0)) for n, f in u.items()} for q, u in _FACTORS.items()},
    "temperature": {
        "C": (Fraction(1), Fraction(0)),
        "F": (Fraction(5, 9), Fraction(-160, 9)),
    },
}
_SPELT = {
    **dict.fromkeys(["in/s", "in/sec", "inch/s", "inch/sec"], "ips"),
    **dict.fromkeys(["mm/sec"], "mm/s"),
    **dict.fromkeys(["m/s^2", "m/s²"], "m/s2"),
    **dict.fromkeys(["inch", "inches", '"'], "in"),
    **dict.fromkeys(["gram", "grams", "gr."], "g"),
    **dict.fromkeys(["lbs", "pound", "pounds"], "lb"),
    **dict.fromkeys(["ounce", "ounces"], "oz"),
    **dict.fromkeys(["kts", "kn", "knots"], "kt"),
    **dict.fromkeys(["degree", "degrees", "°"], "deg"),
    **dict.fromkeys(["c", "°c", "degc"], "C"),
    **dict.fromkeys(["f", "°f", "degf"], "F"),
}
QUANTITY_OF: Mapping[str, tuple[str, ...]] = {
    "amplitude": ("velocity", "acceleration"),
    "spread": ("velocity", "acceleration"),
    "height": ("length",),
    "lag": ("length", "angle"),
    "amount": ("mass", "length", "angle"),
    "gross_weight": ("mass",),
    "wind_kt": ("speed",),
    "oat_c": ("temperature",),
}
"""The quantities that a column of the log may hold."""

MEASURED = ("peak", "peak to peak", "rms")


@dataclass(frozen=True)
class Scale:
    """A number x of the source is factor * x + offset in the log, times sqrt(2) where `root_two`.

    unit, wanted: the names of both units, None where they do not change; wanted is "" where a
    factor makes numbers of a unit that nobody names.
    """

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    root_two: bool = False
    unit: str | None = None
    wanted: str | None = None

    @property
    def same(self) -> bool:
        """Whether numbers stay as they are written."""
        return self.factor == 1 and self.offset == 0 and not self.root_two

    @cached_property
    def _numbers(self) -> tuple[Decimal, Decimal, int]:
        """The factor and the offset, and by how many decimals a number has more here."""
        root = _EXACT.sqrt(Decimal(2 if self.root_two else 1))
        factor = _EXACT.divide(
            _EXACT.multiply(Decimal(self.factor.numerator), root), Decimal(self.factor.denominator)
        )
        offset = _EXACT.divide(Decimal(self.offset.numerator), Decimal(self.offset.denominator))
        # A step of the last figure of the source is then more than one step of the last one here.
        return factor, offset, math.floor(-math.log10(abs(float(factor))) + 1e-12) + 1

    @cached_property
    def _known(self) -> dict[str, str]:
        """What was converted before: an instrument writes the same few thousand numbers."""
        return {}

    def convert(self, text: str) -> str:
        """Return a decimal number in the log's unit, as text.

        It keeps the figures of the source and one more (and at least 5 in all, at most 15), so
        that the number converted back and rounded to the decimals of `text` is `text` again, as
        long as that has at most 14 figures; zeros at the end are left away.

        >>> inch = scale_between("in", "mm")
        >>> inch.convert("0.25"), inch.convert("0.125"), inch.convert("-1"), inch.convert("0.00")
        ('6.35', '3.175', '-25.4', '0')
        >>> scale_between("mm/s", "ips").convert("5.00")
        '0.19685'
        """
        if self.same:
            return text
        written = self._known.get(text)
        if written is None:
            written = self._converted(text)
            if len(self._known) < MOST_KNOWN:
                self._known[text] = written
        return written

    def _converted(self, text: str) -> str:
        factor, offset, more = self._numbers
        value = Decimal(text)
        exact = _EXACT.add(_EXACT.multiply(value, factor), offset)
        if not exact:
            return "0"
        exponent = value.as_tuple().exponent
        assert isinstance(exponent, int)  # a finite number
        first = exact.adjusted()
        places = max(max(-exponent, 0) + more + 1, LEAST_FIGURES - 1 - first)
        places = min(places, MOST_FIGURES - 1 - first)
        written = f"{exact.quantize(_place(places), context=_EXACT):f}"
        if "." in written:
            written = written.rstrip("0").rstrip(".")
        return "0" if written == "-0" else written


@cache
def _place(places: int) -> Decimal:
    """Return one unit of the last of so many decimals."""
    return Decimal((0, (1,), -places))


def unit_name(text: str) -> str:
    """Return a unit in one spelling.

    >>> unit_name("In/Sec"), unit_name(" LBS"), unit_name("oz")
    ('ips', 'lb', 'oz')
    """
    plain = "".join(text.split()).casefold()
    return _SPELT.get(plain, plain)


def units_of(column: str) -> tuple[str, ...]:
    """Return the units that numbers of a log's column can be converted between."""
    return tuple(dict.fromkeys(u for q in QUANTITY_OF.get(column, ()) for u in _UNITS[q]))


def scale_between(
    unit: str,
    wanted: str,
    quantities: tuple[str, ...] = tuple(_UNITS),
    measured: str = "peak",
    factor: Fraction = Fraction(1),
) -> Scale:
    """Return the scale from one unit to another.

    quantities: those that may be meant ("g" is a weight and an acceleration). measured: what the
    instrument gives of a vibration; "rms" and "peak to peak" become peak as of a pure sine (times
    sqrt(2), by half). factor: a further one. Raises AdaptError for units that nobody knows or that
    do not go into each other; velocity and acceleration do so only at a known speed.

    >>> scale_between("mm/s", "ips", measured="rms").convert("7.20")
    '0.40088'
    """
    unit, wanted = unit_name(unit), unit_name(wanted)
    root_two = measured == "rms"
    factor = factor / 2 if measured == "peak to peak" else factor
    for quantity in quantities:
        units = _UNITS[quantity]
        if unit in units and wanted in units:
            (a, b), (c, d) = units[unit], units[wanted]
            return Scale(a / c * factor, (b - d) / c * factor, root_two, unit, wanted)
    known = list(dict.fromkeys(u for q in quantities for u in _UNITS[q]))
    if unit not in known:
        raise AdaptError(one_of("a unit of this column", unit, known))
    if wanted not in known:
        raise AdaptError(one_of("a unit of this column", wanted, known))
    pair = {q for q in quantities for u in (unit, wanted) if u in _UNITS[q]}
    why = (
        " (velocity and acceleration go into each other only at a known speed and order: convert "
        "them in the instrument)"
        if pair == {"velocity", "acceleration"}
        else ""
    )
    raise AdaptError(f"a unit that {shown(unit)} can be converted to{why}")
