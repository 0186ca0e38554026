"""Findings in sentences: what, since when, how much; a reason to look and no diagnosis."""

from typing import Any

import pytest

from adapt.coefficients import Coefficients
from adapt.reports.layout import Bullets, Heading, Line
from adapt.reports.learning.health import health_report, health_sentence

ROW: dict[str, Any] = {
    "rotor": "R-1",
    "test": "answer changed",
    "since_job": "J-2",
    "since_run": "3",
    "how": "weaker",
    "factor": 0.6,
    "factor_low": 0.5,
    "factor_high": 0.7,
    "angle_deg": 2.0,
    "angle_low": -4.0,
    "angle_high": 8.0,
    "sensor": None,
    "adjuster": None,
    "blade": None,
    "could_be": [],
    "held_back": 0,
    "p_value": 0.001,
    "false_alarm_rate": 0.05,
}


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({}, "R-1: since run 3 of J-2 its answer is weaker, 0.60 of what it was (0.50 to 0.70)"),
        (
            {"how": "turned", "factor_high": 1.1, "angle_deg": -30.0, "angle_low": -40.0,
             "angle_high": -20.0, "sensor": "cabin lateral"},
            "R-1: since run 3 of J-2 its answer at cabin lateral has turned, "
            "it lags 30 deg less (20 to 40)",
        ),
        (
            {"how": "changed", "factor": None, "angle_deg": None, "adjuster": "trim tab"},
            "R-1: since run 3 of J-2 its answer to the trim tab has changed",
        ),
        (
            {"held_back": 2, "angle_deg": None},
            "R-1: since run 3 of J-2 its answer is weaker, 0.60 of what it was (0.50 to 0.70), "
            "this explains 2 pairs held back as suspect entries",
        ),
        (
            {"test": "blades not alike", "blade": "B", "could_be": ["B", "D"], "since_run": None,
             "since_job": None},
            "R-1: moves on blade B answer otherwise than on the others: weaker, "
            "0.60 of what the others do (0.50 to 0.70), the log cannot tell it from blade D",
        ),
        (
            {"test": "answer drifting", "pairs": 16},
            "R-1: since run 3 of J-2 its answer gets weaker from pair to pair, "
            "now 0.60 of what it was (0.50 to 0.70), 2.5 % a pair over 16 pairs with moves",
        ),
        (
            {"of": "track", "angle_deg": None, "adjuster": "pitch link"},
            "R-1: since run 3 of J-2 its track answer to the pitch link is weaker, "
            "0.60 of what it was (0.50 to 0.70)",
        ),
        (
            {"of": "track", "test": "blades not alike", "blade": "B", "could_be": ["B"],
             "since_run": None, "since_job": None, "angle_deg": None},
            "R-1: track answers to moves on blade B otherwise than on the others: weaker, "
            "0.60 of what the others do (0.50 to 0.70)",
        ),
    ],
)  # fmt: skip
def test_a_finding_says_what_since_when_and_how_much(change: dict[str, Any], text: str) -> None:
    assert health_sentence({**ROW, **change}) == text


def test_the_report_says_inspect_and_never_names_a_cause(learned: Coefficients) -> None:
    from dataclasses import replace

    assert health_report(learned) == []
    heading, line, bullets = health_report(replace(learned, health=(ROW,) * 14))
    assert isinstance(heading, Heading)
    assert heading.text == "Inspect before balancing"
    assert isinstance(line, Line)
    assert "at most 5 of 100" in line.text
    assert isinstance(bullets, Bullets)
    assert len(bullets.items) == 13
    assert bullets.items[-1].startswith("and 2 more findings")
    whole = " ".join((line.text, *bullets.items)).lower()
    assert not any(word in whole for word in ("damper", "bearing", "mount", "rod end", "worn"))
