"""Units of an instrument: exact factors, the instrument's precision kept, what is refused."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapt.logbook.maps.units import QUANTITY_OF, scale_between
from adapt.problems import AdaptError

PAIRS = [
    ("mm/s", "ips"), ("ips", "mm/s"), ("cm/s", "ips"), ("m/s", "mm/s"),
    ("m/s2", "g"), ("in", "mm"), ("mm", "in"), ("oz", "g"), ("lb", "g"), ("g", "lb"),
    ("kg", "lb"), ("km/h", "kt"),
]  # fmt: skip
# By their definitions: the inch and the pound of 1959, the nautical mile, standard gravity.
SIZE = {
    "mm/s": 1, "ips": Fraction(254, 10), "cm/s": 10, "m/s": 1000,
    "m/s2": 1, "mm": 1, "in": Fraction(254, 10), "kg": 1000, "g": 1,
    "lb": Fraction(45359237, 100000), "oz": Fraction(45359237, 1600000),
    "kt": Fraction(1852), "km/h": Fraction(1000),
}  # fmt: skip


def factor(unit: str, wanted: str) -> Fraction:
    if (unit, wanted) == ("m/s2", "g"):
        return Fraction(100000, 980665)
    return Fraction(SIZE[unit]) / Fraction(SIZE[wanted])


@given(
    st.sampled_from(PAIRS),
    st.integers(-(10**6), 10**6),
    st.integers(0, 6),
    st.sampled_from(["peak", "peak to peak", "rms"]),
)
def test_a_number_converted_back_is_the_text_of_the_instrument(
    pair: tuple[str, str], digits: int, places: int, measured: str
) -> None:
    text = f"{Decimal(digits).scaleb(-places):f}"
    there = scale_between(*pair, measured=measured).convert(text)
    size = float(factor(*pair)) * {"peak": 1, "peak to peak": 0.5, "rms": math.sqrt(2)}[measured]
    back = round(Decimal(there) / Decimal(repr(size)), places)
    assert back == Decimal(text)
    assert float(there) == pytest.approx(float(text) * size, rel=5e-5, abs=0)
    assert there == "0" or not (there.endswith(".") or "E" in there.upper())


@given(st.sampled_from(PAIRS), st.integers(1, 10**4), st.integers(0, 3))
def test_a_number_shows_no_more_figures_than_the_instrument_gave_and_a_few(
    pair: tuple[str, str], digits: int, places: int
) -> None:
    text = f"{Decimal(digits).scaleb(-places):f}"
    there = scale_between(*pair).convert(text)
    figures = there.replace(".", "").strip("0")
    assert len(figures) <= max(5, len(text.replace(".", "").lstrip("0")) + 3)


@given(st.sampled_from(PAIRS), st.integers(10**6, 10**8), st.integers(0, 3))
def test_rounding_is_a_twentieth_of_the_last_figure_of_the_instrument_at_most(
    pair: tuple[str, str], digits: int, places: int
) -> None:
    size, text = factor(*pair), f"{Decimal(digits).scaleb(-places):f}"
    error = abs(Fraction(scale_between(*pair).convert(text)) - Fraction(text) * size)
    assert error <= size * Fraction(1, 10**places) / 20


@pytest.mark.parametrize(
    ("unit", "wanted", "text", "expected"),
    [
        ("in", "mm", "0.25", "6.35"),
        ("in", "mm", "0.125", "3.175"),
        ("mm/s", "ips", "5.08", "0.2"),
        ("inch/sec", "mm/s", "0.1", "2.54"),
        ("oz", "g", "1", "28.35"),
        ("LBS", "g", "1", "453.59"),
        ("kg", "lb", "0", "0"),
        ("F", "C", "-40", "-40"),
        ("F", "C", "59", "15"),
        ("F", "C", "32.0", "0"),
        ("C", "F", "100", "212"),
        ("in", "mm", "-0.25", "-6.35"),
        ("mm", "in", "0.30000000000000004", "0.0118110236220472"),  # a workbook's rounding
    ],
)
def test_usual_values_look_as_a_person_would_write_them(
    unit: str, wanted: str, text: str, expected: str
) -> None:
    assert scale_between(unit, wanted).convert(text) == expected


def test_rms_and_peak_to_peak_become_the_peak_of_a_sine() -> None:
    sine = [math.sin(2 * math.pi * k / 1000) for k in range(1000)]
    rms = math.sqrt(sum(x * x for x in sine) / len(sine))
    swing = max(sine) - min(sine)
    of_rms = scale_between("ips", "ips", measured="rms").convert(f"{rms:.9f}")
    of_swing = scale_between("ips", "ips", measured="peak to peak").convert(f"{swing:.9f}")
    assert float(of_rms) == pytest.approx(1.0, abs=1e-8)
    assert float(of_swing) == pytest.approx(1.0, abs=1e-8)


@given(st.lists(st.integers(0, 999).map(lambda n: f"{n / 100:g}"), min_size=2))
def test_what_was_converted_before_changes_no_number(texts: list[str]) -> None:
    one = scale_between("mm/s", "ips")
    for text in texts:
        assert one.convert(text) == scale_between("mm/s", "ips").convert(text)


def test_a_number_in_the_unit_of_the_log_stays_as_it_is_written() -> None:
    assert scale_between("ips", "IPS").convert("0.250") == "0.250"


@pytest.mark.parametrize(
    ("column", "unit", "wanted", "words"),
    [
        ("amplitude", "g", "ips", "only at a known speed"),
        ("amplitude", "mm/s", "g", "only at a known speed"),
        ("amplitude", "mils", "ips", "a unit of this column"),
        ("amplitude", "lb", "g", "a unit of this column"),
        ("height", "mm", "g", "a unit of this column"),
        ("amount", "oz", "mm", "a unit that 'oz' can be converted to"),
    ],
)
def test_units_that_do_not_go_into_each_other_are_refused(
    column: str, unit: str, wanted: str, words: str
) -> None:
    with pytest.raises(AdaptError, match=words):
        scale_between(unit, wanted, QUANTITY_OF[column])
