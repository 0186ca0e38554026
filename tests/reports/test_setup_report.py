"""Reports, documents and the drawing of set-ups, and of readings before and after."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from set_ups import rotor, setup

from adapt.balancing.setup import Setup, looks_turned, turns_between
from adapt.balancing.setup.before_after import BeforeAfter
from adapt.balancing.setup.looks_turned import Pairs
from adapt.balancing.setup.mistakes import mistakes_of
from adapt.problems import BadInput
from adapt.reports.balancing.looks_turned import looks_document, looks_report
from adapt.reports.balancing.setup import Asked, setup_document, setup_report
from adapt.reports.balancing.setup_drawn import draw_setups, write_setup_drawing
from adapt.reports.balancing.setup_words import sentences
from adapt.reports.documents import as_json
from adapt.reports.show import as_text

HERE = setup("photocell on the nose")
QUARTER = setup("chart of the type", angle=270.0)
U = np.array([0.3 * np.exp(2j), 0.25 * np.exp(2.4j), 0.4 * np.exp(-1j), 0.33 * np.exp(-0.6j)])


def text(here: Setup, chart: Setup, asked: tuple[Asked, ...] = ()) -> str:
    turns = turns_between(rotor(), here, chart)
    return " ".join(as_text(setup_report(rotor(), here, chart, turns, asked)).split())


def test_the_report_says_what_a_reading_is_on_the_chart() -> None:
    told = text(HERE, QUARTER, (Asked("cabin lateral", 0.25, 130.0),))
    assert "a reading of 4:20 here is 1:20 on the chart" in told
    assert "0.250 @ 4:20 0.250 @ 1:20" in told
    assert "Rotating blades kill" in told


@pytest.mark.parametrize(
    ("angle", "words"),
    [(270.0, "near a quarter turn"), (97.0, "near a quarter turn"), (175.0, "near half a turn")],
)
def test_a_quarter_or_half_turn_between_the_two_is_said(angle: float, words: str) -> None:
    assert words in text(HERE, setup("chart", angle=angle))


@pytest.mark.parametrize("angle", [0.0, 45.0, 120.0])
def test_no_other_turn_is_called_a_quarter(angle: float) -> None:
    assert "the classic mistake" not in text(HERE, setup("chart", angle=angle))


def test_the_document_holds_the_turns_and_nothing_that_is_no_number() -> None:
    turns = turns_between(rotor(), HERE, QUARTER)
    asked = [Asked("mast radial", 0.2, 0.0)]
    document = json.loads(as_json(setup_document(rotor(), HERE, QUARTER, turns, asked)))
    assert document["reference_turn_deg"] == -90.0
    assert document["near_quarter_turn"] is True
    assert [s["turn_deg"] for s in document["sensors"]] == [270.0] * 3
    assert document["readings"][0]["chart"] == {"amplitude": 0.2, "phase_deg": 270.0}


def test_sensors_that_turn_alike_share_a_sentence() -> None:
    assert sentences(turns_between(rotor(), HERE, QUARTER), rotor()) == [
        "cabin lateral, mast radial and both: a reading of 4:20 here is 1:20 on the chart."
    ]


@pytest.mark.parametrize("suffix", [".pdf", ".svg", ".png"])
def test_a_drawing_is_written_the_same_each_time(tmp_path: Path, suffix: str) -> None:
    turns = turns_between(rotor(), HERE, QUARTER)
    first, second = tmp_path / f"a{suffix}", tmp_path / f"b{suffix}"
    write_setup_drawing(first, rotor(), HERE, QUARTER, turns)
    write_setup_drawing(second, rotor(), HERE, QUARTER, turns)
    assert first.read_bytes() == second.read_bytes()
    assert len(first.read_bytes()) > 5000


@pytest.mark.parametrize(("side", "chart_at"), [("above", "9:00"), ("below", "3:00")])
def test_the_drawing_shows_both_as_seen_from_the_side_asked_for(side: str, chart_at: str) -> None:
    turns = turns_between(rotor(), HERE, QUARTER)
    figure = draw_setups(rotor(), HERE, QUARTER, turns, side)
    labels = [[t.get_text() for t in axes.texts] for axes in figure.axes]
    assert "pickup 12:00" in labels[0]
    assert f"pickup {chart_at}" in labels[1]
    words = " ".join(t.get_text() for t in figure.texts)
    sense = "anticlockwise" if side == "above" else "clockwise"
    assert len(re.findall(rf"The rotor turns {sense};", words)) == 2
    assert "a reading of 4:20 here is 1:20 on the chart" in words


@pytest.mark.parametrize("side", ["above", "below"])
def test_the_named_blade_is_drawn_under_the_pickup(side: str) -> None:
    figure = draw_setups(rotor(), HERE, QUARTER, turns_between(rotor(), HERE, QUARTER), side)
    for axes, pickup in zip(figure.axes, (0.0, 270.0), strict=True):
        label = next(t for t in axes.texts if t.get_text() == "A\n1st")
        x, y = label.get_position()
        wanted = pickup if side == "above" else -pickup
        away = np.rad2deg(np.arctan2(x, y)) - wanted
        assert (away + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_a_drawing_of_another_kind_or_side_is_refused(tmp_path: Path) -> None:
    turns = turns_between(rotor(), HERE, QUARTER)
    with pytest.raises(BadInput, match=r"\.pdf, \.svg or \.png"):
        write_setup_drawing(tmp_path / "a.jpg", rotor(), HERE, QUARTER, turns)
    with pytest.raises(BadInput, match="not a side of this disc"):
        draw_setups(rotor(), HERE, QUARTER, turns, "left")


def looked(after: np.ndarray, count: int = 4) -> tuple[BeforeAfter, str, dict]:
    names = ("cabin lateral", "cabin lateral", "mast radial", "mast radial")[:count]
    regimes = ("hover", "90 kt") * 2
    pairs = Pairs(names, regimes[:count], U[:count], after[:count], np.full(count, 0.02))
    read = BeforeAfter(pairs, U[:count], ())
    looks = looks_turned(rotor(), pairs)
    mistakes = mistakes_of(replace(HERE, reference=replace(HERE.reference, angle_deg=45.0)),
                           rotor())  # fmt: skip
    report = " ".join(as_text(looks_report(rotor(), read, looks, mistakes)).split())
    document = json.loads(as_json(looks_document(rotor(), read, looks, mistakes)))
    return read, report, document


def test_a_quarter_turn_is_reported_with_the_mistakes_that_fit() -> None:
    _, report, document = looked(1j * U)
    assert "as if the phase reference were turned" in report
    assert "near a quarter turn" in report
    assert "the pickup's place seen from the other side" in report
    assert document["verdict"] == "turned"
    fits = {m["mistake"].split(",")[0]: m["fits"] for m in document["mistakes"]}
    assert fits["the pickup's place seen from the other side"] is True


@pytest.mark.parametrize(
    ("after", "words"),
    [
        (U, "Nothing turned"),
        (2.0 * U, "no turn of the phase reference"),
        (np.conj(U), "lead were entered for lag"),
        (np.conj(U) * np.exp(2j), "two senses of rotation were mixed up"),
        (U * np.array([1, 1, -1, -1]), "mast radial alone were reversed"),
        (np.where([True, True, False, False], np.conj(U), U), "lag at cabin lateral alone"),
        (-U, "All sensors with their sign changed would look the same"),
    ],
)
def test_each_verdict_is_said_in_words(after: np.ndarray, words: str) -> None:
    assert words in looked(after)[1]


def test_doubt_is_said_with_what_would_help() -> None:
    _, report, document = looked(1j * U, count=2)
    assert "one sensor alone cannot tell a turn from a change" in report
    assert "read at two sensors or more" in report
    assert document["verdict"] is None
    assert document["why"]
