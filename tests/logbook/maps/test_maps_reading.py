"""A column map is read whole, or refused with every problem at its line."""

from __future__ import annotations

import contextlib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapt.logbook.maps import map_from, read_map
from adapt.logbook.maps.units import Scale
from adapt.problems import BadInput, Problem

GOOD = """[map]
name = "m"

[translations.regimes]
HOV = "hover"

[[sources]]
name = "t"

[[readings]]
job = "Job"
run = "Run"
regime = { column = "Cond", translate = "regimes" }
sensor = { text = "lat" }
amplitude = { column = "A", from = "mm/s", to = "ips", measured = "rms", factor = 0.1 }
clock = "P"
"""


def problems(text: str) -> list[Problem]:
    with pytest.raises(BadInput) as error:
        map_from(text, "m.toml")
    return list(error.value.problems)


def test_a_factor_is_meant_as_it_is_written() -> None:
    (given,) = map_from(GOOD, "m.toml").given
    scale = given.ways["amplitude"].scale
    assert scale == Scale(Fraction(1, 254), Fraction(0), True, "mm/s", "ips")


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("[map]", "[mapp]", 1, "did you mean 'map'"),
        ('name = "m"', "", 1, "this key"),
        ('HOV = "hover"', "HOV = 1.5", 5, "text in quotes"),
        ('name = "t"', 'name = "t"\nfile = "x"', 9, "did you mean 'files'"),
        ('name = "t"', 'name = "t"\nfiles = "/etc/*"', 9, "names in the folder"),
        ('name = "t"', 'name = "t"\nfiles = "../*.csv"', 9, "names in the folder"),
        ('name = "t"', 'name = "t"\nskip_lines = -1', 9, "how many lines"),
        ('name = "t"', 'name = "t"\nskip_lines = true', 9, "how many lines"),
        ('name = "t"', 'name = "t"\nseparator = ";;"', 9, "one character"),
        ('name = "t"', 'name = "t"\nheaders = ["A b", "a-b"]', 9, "each column's own name"),
        ('name = "t"', 'name = "t"\nheader_row = false', 9, "headers beside it"),
        ('name = "t"', 'name = "t"\nencoding = "utf-9"', 9, "an encoding"),
        ('name = "t"', 'name = "t"\nnot_read = []', 9, "a list of texts"),
        ('name = "t"', 'name = "t"\nexcluded = ["OVLD"]', 9, "what they mean"),
        ('name = "t"', 'name = "t"\nnot_read = "x"\nexcluded = { x = "y" }', 10, "one of them"),
        ('name = "t"', 'name = "t"\n[[sources]]\nname = "t"', 7, "each name once"),
        ('job = "Job"', "job = 3", 11, "the header of a column in quotes"),
        ('job = "Job"', 'job = "[mm]"', 11, "a name before its unit"),
        ('job = "Job"', "", 10, "where the log's job comes from"),
        ('clock = "P"', "", 10, "clock or phase_deg"),
        ('job = "Job"', 'job = { colum = "Job" }', 11, "did you mean 'column'"),
        ('job = "Job"', "job = { }", 11, "where it comes from"),
        ('job = "Job"', 'job = { column = "J", text = "x" }', 11, "one of them"),
        ('job = "Job"', "job = { file_name = false }", 11, "true"),
        ('job = "Job"', 'job = { column = "J", part = "J-" }', 11, "one group"),
        ('job = "Job"', 'job = { column = "J", part = "(" }', 11, "a regular expression"),
        ('job = "Job"', 'job = { columns = ["J", "J"] }', 11, "each column once"),
        ('job = "Job"', 'jobb = "Job"', 11, "did you mean 'job'"),
        ('translate = "regimes"', 'translate = "regime"', 13, "did you mean 'regimes'"),
        ('translate = "regimes"', 'unknown = "keep"', 13, "only beside translate"),
        ('to = "ips"', 'to = "g"', 15, "known speed"),
        ('from = "mm/s"', 'from = "mils"', 15, "a unit of this column"),
        ('from = "mm/s", ', "", 15, "both"),
        ('measured = "rms"', 'measured = "mean"', 15, "one of these words"),
        ("factor = 0.1", "factor = -1", 15, "sign_turned"),
        ("factor = 0.1", 'factor = "1/0"', 15, "a number above 0"),
        ("factor = 0.1", "factor = inf", 15, "a number above 0"),
        ("factor = 0.1", "factor = true", 15, "a number above 0"),
        ("factor = 0.1", 'factor = "1e999999999"', 15, "a number above 0"),
        ("factor = 0.1", "sign_turned = true", 15, "a key of this section"),
        ('clock = "P"', 'clock = { column = "P", written = "hours" }', 16, "phase_deg"),
        ('clock = "P"', 'clock = { column = "P", offset_deg = 0.3 }', 16, "half degrees"),
        ('clock = "P"', 'phase_deg = { column = "P", from = "lead" }', 16, "both"),
        ('clock = "P"', 'phase_deg = { column = "P", offset_deg = 400 }', 16, "-360 to 360"),
        ('clock = "P"', 'clock = "P"\nrows_differ = "first"', 17, "a key of this section"),
        ('clock = "P"', 'clock = "P"\nsource = "u"', 17, "a source of this map"),
        ('clock = "P"', 'clock = "P"\nonly = [{ column = "x" }]', 17, "one of is"),
        ('clock = "P"', 'clock = "P"\nonly = [{ column = "x", is = 1, empty = true }]', 17, "one"),
        ('clock = "P"', 'clock = "P"\nonly = "x"', 17, "a list of conditions"),
        ('clock = "P"', 'clock = "P"\ngroups = ["x"]', 17, "a list, as in"),
        ('clock = "P"', 'clock = "P"\ngroups = [{ is = { } , spread = "x" }]', 17, "group means"),
    ],
)
def test_each_mistake_is_told_at_its_line(old: str, new: str, line: int, words: str) -> None:
    assert old in GOOD
    found = problems(GOOD.replace(old, new, 1))
    assert any(p.row == line and words in p.expected for p in found), found


def test_all_mistakes_of_a_map_are_told_at_once() -> None:
    text = GOOD.replace('job = "Job"', "job = 3").replace('"rms"', '"mean"').replace("[map]", "[m]")
    assert [p.row for p in problems(text)] == [1, None, 11, 15] or [
        p.row or 0 for p in problems(text)
    ] == [0, 1, 11, 15]


@pytest.mark.parametrize(
    ("started", "words"),
    [
        ('{ column = "D", format = "%d.%m %H:%M" }', "a whole date"),
        ('{ column = "D", format = "%Q" }', "a whole date"),
        ('{ column = "D", utc_offset = "2" }', "an offset as in"),
        ('{ column = "D", format = "%Y-%m-%d %z", utc_offset = "Z" }', "one of them"),
    ],
)
def test_a_pattern_of_time_that_gives_no_date_is_refused(started: str, words: str) -> None:
    text = f'[map]\nname = "m"\n[[runs]]\nrotor = "R"\njob = "J"\nrun = "N"\nstarted = {started}\n'
    assert words in problems(text)[0].expected


GROUPS = """[map]
name = "m"
[[readings]]
job = "Job"
run = "Run"
regime = "Cond"
amplitude = { from = "mm/s", to = "ips" }
groups = [
  { is = { sensor = "lat" }, amplitude = "A1", clock = "P1" },
  { is = { sensor = "vert" }, amplitude = "A2", clock = "P2" },
]
"""


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"vert"', '"lat"', "one group for each sensor"),
        ('"A2"', '"A1"', "one group for each column of amplitude"),
        ('"P2"', '"p1 [h:mm]"', "one group for each column of clock"),
        ('amplitude = "A2", ', "", "in every group"),
        ('amplitude = "A2", clock = "P2"', 'spread = "S"', "a column of its own"),
        ('clock = "P2"', 'phase = "P2"', "did you mean 'phase_deg'"),
        ('is = { sensor = "vert" }', 'is = { regime = "vert" }', "each column filled once"),
        ('is = { sensor = "vert" }', 'is = { height = "1" }', "a column of names"),
        ('is = { sensor = "vert" }, ', "", "what the group means"),
        ('regime = "Cond"', "", "where the log's regime comes from (group 1)"),
    ],
)
def test_groups_that_leave_something_out_or_give_the_same_are_refused(
    old: str, new: str, words: str
) -> None:
    assert map_from(GROUPS, "m.toml").given[0].groups[1].meaning == {"sensor": "vert"}
    assert old in GROUPS
    assert any(words in p.expected for p in problems(GROUPS.replace(old, new, 1)))


@pytest.mark.parametrize(
    "text",
    ["", "[map]\nname = 'm'\n", "[map]\nname = 'm'\n[[sources]]\nname = 't'\n", "runs = 3", "\x00"],
)
def test_a_map_that_maps_nothing_is_refused(text: str) -> None:
    assert problems(text)


def test_of_several_sources_each_says_which_files_are_its_own() -> None:
    more = '[[sources]]\nname = "u"\n[[readings]]\nsource = "t"'
    found = problems(GOOD.replace("[[readings]]", more))
    assert [(p.row, p.found) for p in found if "which files" in p.expected] == [
        (7, "no such key"),
        (10, "no such key"),
    ]


def test_a_source_that_nothing_uses_is_refused() -> None:
    found = problems(
        GOOD.replace('name = "t"', 'name = "t"\nfiles = "*"').replace(
            "[[readings]]", '[[sources]]\nname = "u"\nsheet = "u"\n[[readings]]\nsource = "t"'
        )
    )
    assert [(p.row, p.found) for p in found] == [(11, "no use of it")]


def test_a_file_is_read_as_its_text_is(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    read, given = read_map(path), map_from("\ufeff" + GOOD.replace("\n", "\r\n"), str(path))
    assert read == given
    assert read.text == GOOD
    with pytest.raises(BadInput, match="no readable file"):
        read_map(tmp_path / "none.toml")


LINES = [line for line in (GOOD + GROUPS).splitlines() if line]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.sampled_from([*LINES, "groups = 3", "[runs]", "job = []", "is = 1"]), max_size=12)
)
def test_any_lines_are_a_map_or_bad_input(lines: list[str]) -> None:
    with contextlib.suppress(BadInput):
        assert map_from("\n".join(lines), "m.toml").given
