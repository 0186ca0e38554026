"""The comparison in tables and sentences; numbers are those put into the fixture by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from adapt.outcomes import Outcome
from adapt.reports.outcomes.chart_verdict import findings
from adapt.reports.outcomes.compared import compare_report, overall_table
from adapt.reports.show import as_text


def test_each_channel_has_its_errors_and_skills_by_method(outcome, rotor) -> None:
    rows = {row[0]: row[1:] for row in overall_table(outcome, rotor).rows}
    assert list(rows) == ["cabin lateral [ips]", "cabin vertical [ips]", "track [mm]"]
    # Skill by hand: 1 - (0.1 / 0.2)^2 = 75 %, 1 - (0.05 / 0.2)^2 = 93.75 %.
    assert rows["cabin lateral [ips]"] == ("0.200", "0.100", "0.050", "75 %", "94 %", "94 %")


def test_only_what_its_interval_makes_clear_becomes_a_sentence(outcome) -> None:
    said = findings(outcome)
    assert len(said) == 1
    # By hand: 1 / 1.5 and 1 / 1.3 are 33 and 23 % under 1.
    assert said[0].startswith(
        "Trim tab on cabin lateral: the chart promises 23 to 33 % less than the sensor shows in "
        "every regime; it is 20 deg late in 120 kt (6 of 8 rotors that can tell agree)"
    )


def fitted(outcome: Outcome, sensor: str | None, **columns: list[float]) -> tuple[str, ...]:
    """Return what is found in a fit of the pitch link in two regimes, with these columns."""
    row = {"sensor": sensor, "adjuster": "pitch link", "pairs": 9, "jobs": 9}
    none = dict.fromkeys(outcome.chart_fit.columns.difference([*row, *columns, "regime"]), np.nan)
    table = pd.DataFrame({**columns, "regime": ["hover", "120 kt"]}).assign(**none)
    table = table.assign(**{k: pd.Series([v] * 2, dtype=object) for k, v in row.items()})
    return findings(replace(outcome, chart_fit=table))


def test_a_chart_of_the_other_sense_is_said_to_be_so(outcome) -> None:
    low, high = [-1.2, -1.3], [-0.8, -0.9]
    said = fitted(outcome, None, gain=[-1.0, -1.1], gain_low=low, gain_high=high)
    assert said == (
        "Pitch link on track: the chart promises the opposite of what the track shows in every "
        "regime.",
    )


def test_an_effect_that_is_not_there_is_promised_by_no_percentage(outcome) -> None:
    said = fitted(outcome, None, gain=[-0.1, 0.5], gain_low=[-0.4, 0.4], gain_high=[0.2, 0.6])
    assert said == (
        "Pitch link on track: the chart promises much more than the track shows in hover; it "
        "promises 100 % more than the track shows in 120 kt.",
    )


def test_half_a_turn_is_neither_early_nor_late(outcome) -> None:
    turns = {"rotation_low": [168.0, -187.0], "rotation_high": [188.0, -171.0]}
    gains = {"gain": [1.0, 1.0], "gain_low": [0.9, 0.9], "gain_high": [1.1, 1.1]}
    said = fitted(outcome, "cabin lateral", rotation_deg=[178.0, -179.0], **turns, **gains)
    assert said == (
        "Pitch link on cabin lateral: the chart is 178 to 179 deg off: it points the other way in "
        "every regime.",
    )


def test_a_chart_that_is_nowhere_clearly_wrong_is_said_to_be_so(outcome, rotor) -> None:
    right = replace(outcome, chart_fit=outcome.chart_fit.iloc[:1])
    assert "Nowhere clearly" in as_text(compare_report(right, rotor))


def test_an_outcome_without_a_chart_fit_or_runs_still_prints(outcome, rotor) -> None:
    empty = replace(
        outcome,
        summary=outcome.summary.iloc[:0],
        chart_fit=pd.DataFrame(columns=outcome.chart_fit.columns),
        jobs=0,
        runs=0,
    )
    text = as_text(compare_report(empty, rotor))
    assert "0 runs of 0 jobs" in text
    assert "nan" not in text.casefold()
