"""Names, phases and moments of an instrument as the log has them."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapt.logbook.maps.converting import Writing, converted
from adapt.logbook.maps.expressions import expression
from adapt.logbook.maps.values import Moment, Names, Origin, Turn, Way
from adapt.phasor import clock_to_deg, to_complex

ORIGIN = Origin("column", ("c",))


def turned(turn: Turn, text: str, column: str = "phase_deg", **writing: Any) -> str:
    (found,), wrong = converted(
        Way(ORIGIN, turn=turn), column, [text], column == "phase_deg", Writing(**writing)
    )
    assert not wrong, wrong
    return found


@given(st.integers(-7200, 7200), st.booleans(), st.integers(-3600, 3600))
def test_lead_is_the_conjugate_and_an_offset_turns(tenths: int, lead: bool, offset: int) -> None:
    found = turned(Turn("degrees", lead, repr(offset / 10)), f"{tenths / 10:.1f}")
    read = to_complex(1.0, tenths / 10)
    expected = (np.conj(read) if lead else read) * to_complex(1.0, offset / 10)
    assert complex(to_complex(1.0, float(found))) == pytest.approx(complex(expected), abs=1e-9)
    assert 0 <= float(found) < 360


@given(st.integers(0, 719), st.booleans(), st.integers(-720, 720))
def test_a_clock_angle_stays_one_to_the_minute(minute: int, lead: bool, halves: int) -> None:
    text = f"{minute // 60 or 12}:{minute % 60:02d}"
    turn = Turn("clock", lead, repr(halves / 2))
    as_clock, degrees = turned(turn, text, "clock"), turned(turn, text)
    assert clock_to_deg(as_clock) == float(degrees)
    assert float(degrees) == ((-1 if lead else 1) * minute / 2 + halves / 2) % 360


@pytest.mark.parametrize(
    ("turn", "text", "expected"),
    [
        (Turn("degrees"), "129.50", "129.50"),
        (Turn("degrees"), "-10", "350"),
        (Turn("degrees"), "360", "0"),
        (Turn("degrees", True), "0", "0"),
        (Turn("degrees", True), "90.25", "269.75"),
        (Turn("degrees"), "129,5", "129.5"),
        (Turn("degrees"), "12 °", "12"),
        (Turn("degrees"), "12deg", "12"),
        (Turn("hours"), "4.5", "135"),
        (Turn("hours"), "4.5 h", "135"),
        (Turn("hours", True), "12", "0"),
        (Turn("hours"), "4,33", "129.9"),
        (Turn("clock"), "4:20", "130"),
        (Turn("clock"), "04:20:00 AM", "130"),
        (Turn("clock"), "0,180556", "130"),
    ],
)
def test_phases_are_read_as_they_are_written(turn: Turn, text: str, expected: str) -> None:
    assert turned(turn, text, decimal_comma=True) == expected


@pytest.mark.parametrize(
    ("turn", "text"),
    [
        (Turn("degrees"), "721"),
        (Turn("degrees"), "4:20"),
        (Turn("degrees"), "12 h"),
        (Turn("hours"), "13"),
        (Turn("hours"), "-1"),
        (Turn("clock"), "4.5"),
        (Turn("clock"), "4:60"),
        (Turn("clock"), "=1+1"),
    ],
)
def test_what_is_no_phase_is_wrong(turn: Turn, text: str) -> None:
    way = Way(ORIGIN, turn=turn)
    texts, wrong = converted(way, "phase_deg", ["", text], True, Writing())
    assert texts == ["", ""]
    assert list(wrong) == [1]


@given(
    st.datetimes(dt.datetime(1970, 1, 1), dt.datetime(2068, 12, 31)).map(
        lambda when: when.replace(microsecond=0)
    ),
    st.sampled_from(["%d.%m.%Y %H:%M:%S", "%m/%d/%y %I:%M:%S %p", "%Y%m%d-%H%M%S", "%j %Y %X"]),
)
def test_a_moment_written_by_a_pattern_is_the_same_moment(when: dt.datetime, pattern: str) -> None:
    way = Way(ORIGIN, moment=Moment(pattern, "+02:00"))
    (text,), wrong = converted(way, "started", [when.strftime(pattern)], False, Writing())
    assert not wrong
    assert dt.datetime.fromisoformat(text) == when.replace(
        tzinfo=dt.timezone(dt.timedelta(hours=2))
    )


@pytest.mark.parametrize(
    ("moment", "text", "workbook", "expected"),
    [
        (Moment(), "2026-03-04 10:05", False, "2026-03-04T10:05"),
        (Moment(), "2026-03-04T10:05:06Z", False, "2026-03-04T10:05:06+00:00"),
        (Moment("%d.%m.%Y %H:%M"), "4.3.2026 9:05", False, "2026-03-04T09:05"),
        (Moment("%d.%m.%Y %H:%M"), "2026-03-04T09:05:00", True, "2026-03-04T09:05"),
        (Moment("%d.%m.%Y %H:%M"), "2026-03-04T00:00:00 9:05:30", True, "2026-03-04T09:05:30"),
        (Moment("%d.%m.%Y %H:%M"), "2026-03-04 9:05:00", True, "2026-03-04T09:05"),
        (Moment("%d.%m.%Y %H:%M"), "2026-03-04 9:05:00", False, None),
        (Moment("%d.%m.%Y %H:%M"), "31.2.2026 10:00", True, None),
        (Moment(), "4.3.2026", False, None),
    ],
)
def test_moments_become_iso_8601(
    moment: Moment, text: str, workbook: bool, expected: str | None
) -> None:
    way = Way(ORIGIN, moment=moment)
    (found,), wrong = converted(way, "started", [text], False, Writing(workbook=workbook))
    assert (found or None) == expected
    assert list(wrong) == ([] if expected else [0])


def test_names_are_cut_out_translated_and_prefixed_in_this_order() -> None:
    names = Names(expression(r"cond (\w+)", ""), {"HOV": "hover", "": "none"}, False, "N-", "/x")
    texts, wrong = converted(
        Way(ORIGIN, names), "regime", ["cond HOV", "cond FWD", "HOV", "", "cond " + "x" * 2000],
        False, Writing(),
    )  # fmt: skip
    assert texts == ["N-hover/x", "", "", "N-none/x", ""]
    assert "did you mean" in wrong[1] or "known: HOV" in wrong[1]
    assert "cond" in wrong[2]
    assert "at most 1000 characters" in wrong[4]
    plain = Names(means={"HOV": "hover"}, prefix="N-")
    assert converted(Way(ORIGIN, plain), "regime", ["", "HOV"], False, Writing()) == (
        ["", "N-hover"],
        {},
    )
    kept = Names(means={"HOV": "hover"}, keep_unknown=True)
    assert converted(Way(ORIGIN, kept), "regime", ["HOV", "FWD"], False, Writing())[0] == [
        "hover",
        "FWD",
    ]


def test_a_name_over_two_lines_is_wrong_and_a_note_is_not() -> None:
    way, text = Way(ORIGIN), "J-1;2\nJ-2"
    assert list(converted(way, "job", [text, "J-1"], False, Writing())[1]) == [0]
    assert converted(way, "note", [text], False, Writing()) == ([text], {})


@pytest.mark.parametrize("text", ["=1+1", "1.234.5", "0x1", "nan", "1_0", "1 2", "x" * 20_000])
def test_what_is_no_number_is_wrong_and_a_number_keeps_its_digits(text: str) -> None:
    way = Way(ORIGIN)
    texts, wrong = converted(
        way, "amplitude", [text, "0.250", "+1,50", "\u22122"], True, Writing(True, True)
    )
    assert texts[1:] == ["0.250", "1.50", "-2"]
    assert list(wrong) == [0]
