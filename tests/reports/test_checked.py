"""A check shows every finding where a person can mend it."""

from __future__ import annotations

from dataclasses import replace

from adapt.problems import Problem
from adapt.reports.log.checked import MOST_SHOWN, check_report
from adapt.reports.show import as_text


def test_findings_stand_by_file_with_row_column_found_and_expected(history) -> None:
    text = as_text(check_report(history))
    row = next(line for line in text.splitlines() if "13:75" in line)
    assert row.split()[:3] == ["14", "clock", "'13:75'"]
    assert "a clock angle h:mm" in row
    assert row.endswith("J-9")
    assert text.index("readings.csv: 1 fault") < text.index("moves.csv: 1 fault")
    assert "Set aside: J-9 (2 faults)." in text


def test_a_clean_log_says_what_is_ready(history) -> None:
    clean = replace(history, faults=(), doubts=(), set_aside={})
    text = as_text(check_report(clean))
    assert "0 faults and 0 doubts. Ready to use: 2 jobs of 1 rotor, 3 runs, 12 readings." in text
    assert "Set aside" not in text


def test_very_many_findings_are_cut_and_counted(history) -> None:
    many = tuple(
        Problem("doubt", "readings.csv", n, "amplitude", str(n), "less", "J-1") for n in range(900)
    )
    text = as_text(check_report(replace(history, doubts=many)))
    assert f"and {900 - MOST_SHOWN} more" in text
    assert len(text.splitlines()) < 80
