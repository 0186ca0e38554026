"""The document of `learn` with its summaries: fixed keys kept, strict JSON, a rotor on request."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from adapt.coefficients import learned_document
from adapt.problems import BadInput
from adapt.reports.documents import as_json, learn_document


def test_the_fixed_keys_stay_as_they_are_and_summaries_stand_beside(learned, rotor) -> None:
    document = json.loads(as_json(learn_document(learned, rotor)))
    fixed = json.loads(as_json(learned_document(learned)))
    assert {key: document[key] for key in fixed} == fixed
    assert set(document) - set(fixed) == {"summary_of_rotors", "teaching", "turned"}
    assert [row["rotor"] for row in document["summary_of_rotors"]] == ["R-07", "R-08"]
    assert document["teaching"]["rotor"] is None
    first = document["teaching"]["poorly_known"][0]
    assert set(first) >= {"rotor", "sensor", "regime", "adjuster", "amount", "limit", "ratio"}
    step = document["teaching"]["next_moves"][0]
    assert set(step) == {"rotor", "moves", "doubt_before", "doubt_after", "removed"}
    assert set(step["moves"][0]) == {"blade", "adjuster", "amount"}


def test_one_rotor_brings_its_whole_summary(learned, rotor) -> None:
    document = json.loads(as_json(learn_document(learned, rotor, "R-08")))
    rows = document["summary"]
    assert len(rows) == 4 * 3
    assert {row["rotor"] for row in rows} == {"R-08"}
    lead = next(row for row in rows if row["sensor"] == "cabin vertical")
    assert lead["phase_deg"] == pytest.approx(230.0)
    assert lead["phase_low_deg"] < 230.0 < lead["phase_high_deg"]
    assert len(document["track_summary"]) == 2 * 3
    assert {step["rotor"] for step in document["teaching"]["next_moves"]} == {"R-08"}
    with pytest.raises(BadInput, match="R-99"):
        learn_document(learned, rotor, "R-99")


def test_what_nothing_informs_is_null(learned, rotor) -> None:
    nothing = replace(
        learned.type_,
        mean=np.full_like(learned.type_.mean, np.nan),
        joint=np.full_like(learned.type_.joint, np.nan),
        track_mean=np.full_like(learned.type_.track_mean, np.nan),
        track_joint=np.full_like(learned.type_.track_joint, np.nan),
    )
    blank = replace(learned, type_=nothing, unseen=nothing, rotors={"R-07": nothing}, chart=None)
    assert math.isinf(learn_document(blank, rotor)["teaching"]["poorly_known"][0]["ratio"])
    document = json.loads(as_json(learn_document(blank, rotor, "R-07")))
    assert document["teaching"]["poorly_known"][0]["ratio"] is None
    assert document["teaching"]["next_moves"][0]["removed"] is None
    assert document["summary"][0]["amplitude"] is None
    assert document["summary_of_rotors"][0]["distance"] is None


def test_a_fleet_without_rotors_has_no_rows(learned, rotor) -> None:
    document = json.loads(as_json(learn_document(replace(learned, rotors={}), rotor)))
    assert document["summary_of_rotors"] == []
    assert document["teaching"]["poorly_known"]
