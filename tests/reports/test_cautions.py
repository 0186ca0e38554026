"""Checks that moves call for; which hardware calls for which is common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from adapt.planning.plan import Move
from adapt.reports import cautions
from adapt.rotor import Adjuster


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("hub weight", "balance weight"),
        ("Hub Weight (arm)", "balance weight"),
        ("span washers", "balance weight"),
        ("fore tip weight", "tip weight"),
        ("trim tab", "trim tab"),
        ("outboard_trim_tab", "trim tab"),
        ("pitch link", "pitch link"),
        ("pitch-link", "pitch link"),
        ("blade sweep", "sweep"),
        ("lead/lag links", "sweep"),
        ("adjustable widget", "other"),
        ("stabilizer", "other"),
    ],
)
def test_hardware_is_told_by_its_name(name: str, kind: str) -> None:
    assert cautions.hardware_of(Adjuster(name, "turns", 1.0, (0.0, 9.0))).kind == kind


def test_pitch_links_call_for_an_independent_inspection(rotor) -> None:
    checks = cautions.checks_for(
        [Move("A", "pitch link", 2.0), Move("C", "pitch link", -2.0)], rotor
    )
    assert any("independent inspection" in c for c in checks)
    assert not any("autorotation" in c for c in checks)


def test_links_that_change_the_mean_pitch_call_for_autorotation_rpm(rotor) -> None:
    checks = cautions.checks_for(
        [Move("A", "pitch link", 2.0), Move("C", "pitch link", -1.0)], rotor
    )
    assert any("autorotation rpm" in c and "+1 flats" in c for c in checks)


def test_tabs_are_measured_again_and_every_move_ends_in_a_ground_run(rotor) -> None:
    checks = cautions.checks_for([Move("A", "trim tab", 1.0)], rotor)
    assert any("measure" in c for c in checks)
    assert checks[-1] == "Ground run inside its limits before flight."


def test_unknown_hardware_is_still_secured_and_inspected(rotor) -> None:
    odd = replace(rotor, adjusters=(Adjuster("widget", "mm", 0.1, (0.0, 9.0)),))
    checks = cautions.checks_for([Move("A", "widget", 0.1)], odd)
    assert any(c.startswith("Widget: secured") and "independent inspection" in c for c in checks)


def test_a_weight_of_any_name_is_added_and_removed() -> None:
    flange = Adjuster("forward flange", "g", 0.2, (0.0, 12.0))
    assert cautions.hardware_of(flange).kind == "balance weight"
    assert cautions.what_to_do(Move("1", "forward flange", -3.4), flange) == "remove 3.4 g"
    assert cautions.hardware_of(replace(flange, unit="turns")).kind == "other"


def test_adjusters_of_one_kind_share_a_check(rotor) -> None:
    span = Adjuster("span weight", "g", 1.0, (0.0, 24.0))
    tail = replace(rotor, adjusters=(span, replace(span, name="chord weight")))
    moves = [Move("A", "span weight", 5.0), Move("A", "chord weight", -2.0)]
    checks = cautions.checks_for(moves, tail)
    assert len(checks) == 2
    assert checks[0].startswith("Span weight and chord weight: ")


def test_no_moves_call_for_no_checks(rotor) -> None:
    assert cautions.checks_for([], rotor) == ()


def test_the_sense_of_a_negative_amount_keeps_the_rotor_files_words(rotor) -> None:
    tab, weight = rotor.adjuster("trim tab"), rotor.adjuster("hub weight")
    said = cautions.what_to_do(Move("A", "trim tab", -1.5), tab)
    assert "lower" in said
    assert tab.positive in said
    assert cautions.what_to_do(Move("A", "trim tab", 1.5), tab) == f"1.5 deg: {tab.positive}"
    assert cautions.what_to_do(Move("A", "hub weight", -20.0), weight) == "remove 20 g"
    widget = Adjuster("widget", "mm", 0.1, (0.0, 9.0))
    assert cautions.what_to_do(Move("A", "widget", -0.2), widget) == "-0.2 mm"
    turned = replace(widget, positive="clockwise")
    assert "opposite" in cautions.what_to_do(Move("A", "widget", -0.2), turned)


def test_unusually_much_is_many_moves_or_a_move_at_or_past_what_is_usual(plan, rotor) -> None:
    def reasons(*moves: Move) -> tuple[str, ...]:
        return cautions.unusually_much(replace(plan, moves=moves), rotor)

    assert reasons(Move("A", "hub weight", 180.0)) == ()
    assert len(reasons(Move("A", "hub weight", 200.0))) == 1
    assert len(reasons(Move("A", "trim tab", 5.5))) == 1
    assert reasons(Move("A", "trim tab", -5.0)) == ()
    assert len(reasons(*[Move(b, "trim tab", 1.0) for b in "ABCD"] * 2)) == 1


def test_the_written_cautions_tell_of_every_kind_of_hardware() -> None:
    from pathlib import Path

    text = (Path(__file__).parents[2] / "docs" / "cautions.md").read_text("utf-8").casefold()
    for hardware in cautions.HARDWARE:
        assert hardware.kind in text


def test_what_stands_on_paper_stands_in_the_docs_word_for_word() -> None:
    page = (Path(__file__).parents[2] / "docs" / "cautions.md").read_text(encoding="utf-8")
    plain = " ".join(page.replace("**", "").split())
    for text in cautions.WHOLE:
        assert text in plain
