"""Reports as text: aligned, plain in a pipe, and safe against what files may hold."""

from __future__ import annotations

import io

from hypothesis import given
from hypothesis import strategies as st

from adapt.reports.layout import Bullets, Heading, Line, table
from adapt.reports.show import as_text, show
from adapt.reports.wording import printable

READINGS = table(
    ["Regime", ">Before", ">Limit"],
    [("hover", "0.123 @  4:20", "0.2"), ("120 kt", "1.5 @ 10:15", "0.25")],
)


def test_numbers_stand_under_each_other() -> None:
    lines = as_text([READINGS]).splitlines()
    assert lines[0].index("Limit") + len("Limit") == len(lines[2]) == len(lines[3])
    assert lines[2].index("4:20") + 4 == lines[3].index("10:15") + 5


def test_a_pipe_gets_no_colour_no_trailing_blanks_and_no_boxes() -> None:
    stream = io.StringIO()
    show([Heading("Plan", 1), Line("x " * 100), Bullets(("one", "two")), READINGS], stream)
    text = stream.getvalue()
    assert text.isascii()
    assert "\x1b" not in text
    assert all(line == line.rstrip() and len(line) <= 100 for line in text.splitlines())


def test_colour_asked_for_by_the_environment_stays_out_of_pipes(monkeypatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert "\x1b" not in as_text([Heading("Plan", 1), READINGS])


def test_a_long_name_wraps_and_leaves_numbers_whole() -> None:
    long = table(["Adjuster", ">Change"], [("weight " * 30, "+40 g")])
    lines = as_text([long], width=80).splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert sum("+40 g" in line for line in lines) == 1
    assert sum(line.count("weight") for line in lines) == 30


def test_names_with_brackets_are_shown_as_they_are() -> None:
    assert "tab [red]" in as_text([table(["Name", "x"], [("tab [red]", ":smile:")])])
    assert ":smile:" in as_text([table(["Name", "x"], [("tab [red]", ":smile:")])])


@given(st.text())
def test_nothing_from_a_file_can_steer_a_terminal(text: str) -> None:
    assert printable(text).isprintable()
    assert len(printable(text)) == len(text)


def test_an_empty_table_shows_its_header_only() -> None:
    assert as_text([table(["Blade", ">Amount"], [])]).splitlines()[0] == "Blade  Amount"
