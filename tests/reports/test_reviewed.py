"""Suspects and decisions as a person reads them, and as a script does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_fleet import history as history_of

from adapt.log import History
from adapt.reports.documents import as_json
from adapt.reports.log.review_documents import recorded_document, review_document
from adapt.reports.log.reviewed import recorded_report, review_report, taken_back_report
from adapt.reports.show import as_text
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

ROTOR = Rotor(
    name="main rotor",
    blades=("A", "B", "C"),
    rpm=390.0,
    sensors=(Sensor("lateral", "ips"), Sensor("vertical", "ips", phase="lead")),
    regimes=(Regime("hover"),),
    adjusters=(Adjuster("hub weight", "g", 10.0, (0.0, 400.0)),),
    limits=(Limit("lateral", 0.2),),
)
LOG = replace(
    history_of(
        runs=[("R1", "J1", "1", "2026-01-01"), ("R1", "J1", "2", "2026-01-02")],
        readings=[("J1", "1", "hover", "lateral", 0.3, np.nan, 1)],
    ),
    source="log/",
)
MOVE = {"table": "moves", "job": "J1", "after_run": "1", "blade": "A", "adjuster": "hub weight"}
READ = {"table": "readings", "job": "J1", "run": "2", "sensor": "vertical", "regime": "hover"}


def told(text: str, *entries: dict, kind: str = "sign", probability: float = 0.6) -> dict:
    return {"kind": kind, "text": text, "probability": probability, "entries": list(entries)}


def suspect(*explanations: dict) -> dict:
    return {
        "job": "J1", "run": "2", "after_run": "1", "kind": "sign", "probability": 0.97,
        "explanations": list(explanations),
    }  # fmt: skip


def decided(decision: str, table: str = "moves", *changes: dict) -> History:
    row = {
        "review": "4", "job": "J1", "table": table, "after_run": "1", "run": "2",
        "decision": decision, "kind": "sign", "explanation": "it had the other sign",
        "by": "N. N.", "decided": "2026-04-01T10:00:00+00:00", "note": "card 7",
    }  # fmt: skip
    blank = dict.fromkeys(("blade", "adjuster", "sensor", "regime"), "")
    rows = [{**blank, "review": "4", "table": table, "job": "J1", **c} for c in changes]
    columns = LOG.corrections.columns
    return replace(
        LOG, reviews=pd.DataFrame([row]), corrections=pd.DataFrame(rows, columns=columns)
    )


FLIPPED = {
    "run": "1", "blade": "A", "adjuster": "hub weight", "entered": 40 + 0j, "corrected": -40 + 0j
}  # fmt: skip
TURNED = {
    "run": "2", "sensor": "vertical", "regime": "hover", "entered": 0.25j,
    "corrected": complex(np.nan),
}  # fmt: skip


def text_of(*suspects: dict, history: History = LOG, **only: str) -> str:
    return as_text(review_report(suspects, ROTOR, history, "adapt review r.toml log/", **only))


def test_every_explanation_has_its_number_and_what_would_be_right() -> None:
    text = text_of(
        suspect(
            told("it had the other sign", MOVE | {"amount": -40.0}),
            told("a clock was off", READ | {"real": 0.0, "imag": 0.25}, probability=0.2),
            told("a move was not recorded", MOVE | {"amount": None}, probability=0.1),
            told("nothing explains it", probability=0.05),
        )
    )
    assert "J1, moves from run 1 to run 2" in text
    rows = [line for line in text.splitlines() if line.strip()[:1] in "1234" and "  " in line]
    assert "A hub weight -40" in rows[0]
    # the vertical instrument shows lead: 90 deg of lag are 9:00 there
    assert "vertical, hover (run 2): 0.250 @ 9:00" in " ".join(text.split())
    assert "give the size with --amount" in " ".join(text.split())
    assert "not known: exclude or keep" in " ".join(text.split())
    assert "as entered" in text
    assert "3 %" in text  # of 97 % that something is wrong


def test_the_commands_take_the_first_explanation_that_can_be_accepted() -> None:
    text = text_of(suspect(told("not known"), told("the other sign", MOVE | {"amount": -40.0})))
    place = "adapt review r.toml log/ --job J1 --run 2"
    for way in ("--accept 2", "--exclude", "--keep"):
        assert f"  {place} {way}\n" in text
    assert "--accept" not in text_of(suspect(told("not known")))
    assert "--accept 1 --amount X" in text_of(suspect(told("more", MOVE | {"amount": None})))


def test_a_suspect_reading_is_told_as_one() -> None:
    many = [READ | {"real": 0.1, "imag": 0.0, "regime": r} for r in ("a", "b", "c")]
    text = text_of(suspect(told("clocks were off", *many)))
    assert "J1, readings of run 2" in text
    assert "3 readings otherwise" in text


def test_no_more_explanations_are_shown_than_can_be_read() -> None:
    listed = [told(f"explanation {n}", MOVE | {"amount": 1.0 * n}) for n in range(1, 13)]
    assert "... and 4 more; --json lists them all" in text_of(suspect(*listed))
    document = review_document([suspect(*listed)], ROTOR, LOG)
    assert [x["number"] for x in document["suspects"][0]["explanations"]] == list(range(1, 13))


def test_decisions_stand_beside_with_who_and_when_and_what() -> None:
    text = text_of(history=decided("accept", "moves", FLIPPED))
    assert "No entry is suspect" in text
    words = " ".join(text.split())
    assert "+40 -> -40" in words
    assert "N. N. 2026-04-01" in words
    assert "card 7" in words
    again = text_of(
        suspect(told("again", MOVE | {"amount": 40.0})), history=decided("accept", "moves", FLIPPED)
    )
    assert "Review 4 decided on this run: accept. It is suspect again." in again


def test_only_what_was_asked_for_is_listed() -> None:
    other = suspect(told("elsewhere", MOVE | {"amount": 1.0})) | {"job": "J2"}
    text = text_of(other, history=decided("keep"), job="J1", run="2")
    assert "log/, job J1, run 2" in text
    assert "elsewhere" not in text
    assert "Decisions in force" in text
    assert "Decisions" not in text_of(other, history=decided("keep"), job="J2")
    assert review_document([other], ROTOR, decided("keep"), "J1")["suspects"] == []


@pytest.mark.parametrize(
    ("history", "words"),
    [
        (decided("accept", "moves", FLIPPED), "used as corrected"),
        (decided("exclude"), "Nothing is learned from the pair after run 1"),
        (decided("exclude", "readings"), "Nothing is learned from the pairs that run 2 is part of"),
        (decided("exclude", "readings", TURNED), "These readings are not used"),
        (decided("keep"), "the pair after run 1 will teach"),
    ],
)
def test_what_was_written_down_is_said_with_what_it_means(history: History, words: str) -> None:
    text = as_text(recorded_report("4", ROTOR, LOG, history, "adapt review r.toml log/"))
    assert words in text
    assert "it had the other sign" in text
    assert "--job J1 --run 2 --undo" in text


def test_new_doubts_are_told_with_the_decision() -> None:
    from adapt.problems import Problem

    doubt = Problem("doubt", "fitted.csv", 7, "amount", "60", "20, as the job before left it", "J1")
    old = Problem("doubt", "fitted.csv", 3, "amount", "70", "-", "J1")
    before = replace(LOG, doubts=(old,))
    after = replace(decided("accept", "moves", FLIPPED), doubts=(old, doubt))
    text = as_text(recorded_report("4", ROTOR, before, after, "adapt review r.toml log/"))
    assert "as the job before left it" in text
    assert "70" not in text
    told_ = recorded_document("4", ROTOR, before, after)
    assert [d["row"] for d in told_["new_doubts"]] == [7]


def test_documents_hold_values_in_the_sensors_own_convention() -> None:
    (row,) = review_document([], ROTOR, decided("exclude", "readings", TURNED))["reviews"]
    (change,) = row["changes"]
    assert change["entered"] == {"amplitude": 0.25, "phase_deg": 270.0}
    assert change["corrected"] is None
    recorded = recorded_document("4", ROTOR, LOG, decided("accept", "moves", FLIPPED))["recorded"]
    assert recorded["changes"] == [MOVE | {"entered": 40.0, "corrected": -40.0}]
    as_json(recorded)


def test_what_was_taken_back_is_named() -> None:
    row = {"review": "4", "job": "J1", "run": "2", "decision": "keep", "explanation": "the sign"}
    assert "Review 4 taken back: J1, run 2" in as_text(taken_back_report(row))
