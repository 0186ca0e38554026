"""Documents for scripts: the promised keys, finite numbers, each sensor's own phase."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapt.planning.plan import ChannelKey
from adapt.reports.documents import as_json, check_document, plain
from adapt.reports.planning.plan_documents import plan_document

PLAN_KEYS = {
    "rotor", "job", "after_run", "aim", "feasible", "stopped_by", "not_constrained", "worst_ratio",
    "lower_bound", "proven", "chance", "joint_chance", "minutes", "moves", "readings", "track",
    "tradeoff", "alternatives",
}  # fmt: skip


def test_a_plan_has_the_promised_keys(plan, rotor) -> None:
    document = json.loads(as_json(plan_document(plan, rotor, "chart")))
    assert set(document) >= PLAN_KEYS
    assert set(document["moves"][0]) >= {"blade", "adjuster", "amount"}
    assert set(document["readings"][0]) >= {
        "sensor",
        "regime",
        "before",
        "after",
        "limit",
        "chance",
    }
    assert set(document["track"][0]) >= {"regime", "before", "after", "limit", "chance"}
    assert set(document["tradeoff"][0]) >= {"moves", "worst_ratio", "chance"}
    assert set(document["alternatives"][0]) >= {"moves", "worst_ratio", "chance"}


def test_phases_are_in_each_sensors_own_convention(plan, rotor) -> None:
    lag, unread, lead = plan_document(plan, rotor, "chart")["readings"]
    assert lag["before"] == {"amplitude": 0.4, "phase_deg": 90.0}
    assert lead["before"] == {"amplitude": 0.4, "phase_deg": 270.0}
    assert unread["before"] == {"amplitude": None, "phase_deg": None}


def test_channels_that_stop_a_plan_are_named(plan, rotor) -> None:
    stuck = replace(plan, stopped_by=(ChannelKey("cabin lateral", "hover"), ChannelKey(None, "x")))
    assert plan_document(stuck, rotor, "chart")["stopped_by"] == [
        {"sensor": "cabin lateral", "regime": "hover"},
        {"track": True, "regime": "x"},
    ]


def test_a_check_lists_every_finding(history) -> None:
    document = json.loads(as_json(check_document(history)))
    assert document["set_aside"] == {"J-9": 2}
    assert [(p["file"], p["row"]) for p in document["faults"]] == [
        ("readings.csv", 14),
        ("moves.csv", 3),
    ]
    assert len(document["doubts"]) == 1


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=12,
)


@given(st.dictionaries(st.text(), values))
def test_every_document_is_one_strict_json_text_in_ascii(document) -> None:
    def refuse(word: str) -> None:
        raise AssertionError(word)

    text = as_json(document)
    assert text.isascii()
    assert json.loads(text, parse_constant=refuse) == plain(document)


def test_missing_numbers_and_dates_become_null() -> None:
    assert plain([math.nan, math.inf, np.float64("nan"), pd.NaT]) == [None] * 4
    assert plain({"t": pd.Timestamp("2025-03-02 14:10")}) == {"t": "2025-03-02T14:10:00"}


def test_a_complex_number_is_refused_rather_than_guessed() -> None:
    with pytest.raises(TypeError, match="complex"):
        plain({"z": 1j})
