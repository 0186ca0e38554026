"""`adapt logbook`: the verbs of documents and published sets, and `adapt review` on a logbook."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from books import DEMO, fresh, imported, numbered, part_of_demo, with_demo

import adapt
from adapt.cli import main

TAIL, TAIL_CHART = str(DEMO / "tail-rotor.toml"), str(DEMO / "tail-chart.csv")


def said(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main([str(word) for word in words])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def document(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, dict[str, Any]]:
    status, out, _ = said(capsys, *words, "--json")
    found: dict[str, Any] = json.loads(out)
    return status, found


@pytest.fixture
def book(tmp_path: Path) -> str:
    """A logbook with the demo's log; the databases are told apart in `tests/logbook`."""
    return with_demo(str(tmp_path / "fleet.logbook"))


def test_documents_are_kept_listed_and_given_back(
    book: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, kept = document(capsys, "logbook", "keep", book, "--rotor", TAIL, "--by", "A. Reed")
    assert (status, kept["added"], kept["label"], kept["who"]) == (0, True, "tail rotor", "A. Reed")
    assert said(capsys, "logbook", "keep", book, "--chart", TAIL_CHART, "--design", "tail rotor")[
        1
    ].startswith("Kept: chart of tail rotor (tail-chart.csv, document 2), as change 3.")
    status, out, _ = said(capsys, "logbook", "keep", book, "--rotor", TAIL)
    assert (status, out.startswith("Nothing new: the rotor file of tail rotor")) == (0, True)
    listed = document(capsys, "logbook", "documents", book)[1]["documents"]
    assert [(d["document"], d["kind"], d["file"]) for d in listed] == [
        (1, "rotor file", "tail-rotor.toml"), (2, "chart", "tail-chart.csv"),
    ]  # fmt: skip
    target = tmp_path / "again.csv"
    assert said(capsys, "logbook", "give", book, "--document", "2", "--output", target)[0] == 0
    assert target.read_bytes() == Path(TAIL_CHART).read_bytes()


def test_what_does_not_go_together_is_refused(
    book: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for words, told in (
        (("keep", book, "--chart", TAIL_CHART), "--chart and --design go together"),
        (("keep", book, "--rotor", TAIL, "--design", "x"), "--chart and --design go together"),
        (("keep", book), "one of the arguments --rotor --chart --map is required"),
        (("publish", book, "x"), "one of the arguments --design --rotor is required"),
        (("give", book, "--output", tmp_path / "x"), "expected NAME or --document N"),
        (("give", book, "x", "--output", tmp_path / "x"), "expected a published set"),
        (("give", book, "--document", "7", "--output", tmp_path / "x"), "there is no document 7"),
        (("withdraw", book, "x", "--why", "wrong"), "expected a published set"),
        (("recompute", book, "x"), "expected a published set"),
    ):
        status, _, err = said(capsys, "logbook", *words)
        assert (status, told in err) == (2, True), (words, err)
    assert not (tmp_path / "x").exists()


def test_a_set_from_publishing_to_its_withdrawal(
    book: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    words = ("--rotor", TAIL, "--chart", TAIL_CHART, "--by", "A. Reed", "--note", "two years")
    status, out, _ = said(capsys, "logbook", "publish", book, "2026-11", *words)
    assert status == 0
    assert "Published: 2026-11, coefficients of tail rotor, as change 2." in out
    assert f"plan {TAIL} {book} --job J --set 2026-11" in out
    status, _, err = said(capsys, "logbook", "publish", book, "2026-11", *words)
    assert (status, "what was published never changes" in err) == (1, True)

    (listed,) = document(capsys, "logbook", "sets", book)[1]["sets"]
    one = document(capsys, "logbook", "sets", book, "2026-11")[1]
    assert {k: one[k] for k in listed} == listed
    assert listed["learned_from_change"] == 1
    assert listed["programs"]["adapt"] == adapt.__version__
    assert listed["settings"] == {"robust": False}
    target = tmp_path / "set.json"
    assert said(capsys, "logbook", "give", book, "2026-11", "--output", target)[0] == 0
    stored = adapt.read_coefficients(target, adapt.read_rotor(TAIL))
    assert [(p["job"], p["after_run"]) for p in one["pairs"]] == sorted(stored.taught)
    assert len(one["pairs"]) > 20
    assert [(p["job"], p["after_run"]) for p in one["held_back"]] == sorted(stored.withheld)
    shown = said(capsys, "logbook", "sets", book, "2026-11")[1]
    assert f"The {len(stored.taught)} pairs that taught it" in shown
    assert "by A. Reed, as change 2: two years." in shown

    status, found = document(capsys, "logbook", "recompute", book, "2026-11")
    assert (status, found["agrees"], found["differing"]) == (0, True, 0)
    assert found["largest_relative_difference"] <= 1e-9
    assert "It agrees" in said(capsys, "logbook", "recompute", book, "2026-11")[1]

    status, out, _ = said(
        capsys, "logbook", "withdraw", book, "2026-11", "--why", "wrong chart", "--by", "B. Reed"
    )
    assert status == 0
    assert "is WITHDRAWN and not to be used: wrong chart" in out
    listed_again = " ".join(said(capsys, "logbook", "sets", book)[1].split())
    assert "not to be used: wrong chart (B. Reed, " in listed_again
    status, _, err = said(capsys, "logbook", "give", book, "2026-11", "--output", target)
    assert (status, "not to be used: wrong chart" in err) == (1, True)
    before = target.read_bytes()
    status, out, _ = said(
        capsys, "logbook", "give", book, "2026-11", "--output", target, "--although-withdrawn"
    )
    assert (status, "WITHDRAWN" in out) == (0, True)
    assert target.read_bytes() == before


def test_a_set_is_not_written_over_its_logbook(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    said(capsys, "logbook", "keep", book, "--rotor", TAIL)
    before = Path(book).read_bytes()
    status, _, err = said(capsys, "logbook", "give", book, "--document", "1", "--output", book)
    assert (status, "expected another file to write to" in err) == (2, True)
    assert Path(book).read_bytes() == before


def test_a_set_that_does_not_agree_ends_with_1_and_names_the_numbers(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    import sqlite3

    from adapt.database.sealing import digest_of_content

    said(capsys, "logbook", "publish", book, "x", "--rotor", TAIL)
    connection = sqlite3.connect(book)
    (content,) = connection.execute("SELECT content FROM sets").fetchone()
    stored = json.loads(content)
    stored["state"]["noise"]["run_var"]["parts"][0][0] *= 1.001
    changed = json.dumps(stored).encode()
    connection.execute("DROP TRIGGER sets_no_update")
    connection.execute("UPDATE sets SET content = ?, digest = ?, programs = ?",
                       (changed, digest_of_content(changed), '{"numpy": "1.0"}'))  # fmt: skip
    connection.commit()
    connection.close()
    status, out, _ = said(capsys, "logbook", "recompute", book, "x")
    text = " ".join(out.split())
    assert status == 1
    assert "It does NOT agree: of" in text
    assert "1 differ by more than 1e-09 of themselves; the largest difference is 0.001" in text
    assert "noise, run var, gearbox radial in ground run" in text
    assert "Of another version since the set was published" in text
    assert "numpy 1.0" in text
    status, found = document(capsys, "logbook", "recompute", book, "x")
    assert (status, found["differing"], len(found["differences"])) == (1, 1, 1)


def test_a_review_on_a_logbook_is_a_change_by_whoever_decides(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(tmp_path / "fleet.logbook")
    few = part_of_demo(tmp_path / "few", numbered(27, 30))  # a wrong entry among them
    assert imported(fresh(book), few, with_faults=True).change == 1
    rotor, chart = str(DEMO / "main-rotor.toml"), str(DEMO / "chart.csv")
    words = ("review", rotor, book, "--chart", chart)
    suspects = document(capsys, *words)[1]["suspects"]
    job, run = suspects[0]["job"], suspects[0]["run"]
    place = ("--job", job, "--run", run)
    status, _, err = said(capsys, *words, *place, "--keep", "--as-known-on", "change 1")
    assert (status, "a decision is made on what the logbook holds now" in err) == (2, True)
    status, made = document(capsys, *words, *place, "--keep", "--by", "A. Reed")
    assert (status, made["recorded"]["review"], made["recorded"]["by"]) == (0, "1", "A. Reed")
    lines = document(capsys, "logbook", "changes", book)[1]["changes"]
    assert (lines[1]["who"], lines[1]["what"], lines[1]["rows"]) == (
        "A. Reed", "review", {"reviews": 1},
    )  # fmt: skip
    status, taken = document(capsys, "review", rotor, book, *place, "--undo", "--by", "B. Reed")
    assert (status, taken["taken_back"]["review"]) == (0, "1")
    assert document(capsys, "logbook", "changes", book)[1]["changes"][2]["who"] == "B. Reed"
    assert document(capsys, "review", rotor, book, *place, "--keep")[1]["recorded"]["review"] == "2"


def test_learned_coefficients_say_which_state_taught_them(
    book: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    seal = document(capsys, "logbook", "verify", book)[1]["digest"]
    assert said(capsys, "logbook", "take-out", book, "moves", "2", "--note", "not made")[0] == 0
    then, now, folder = (tmp_path / f"{n}.json" for n in ("then", "now", "folder"))
    words = ("learn", TAIL, book, "--chart", TAIL_CHART, "--output")
    out = said(capsys, *words, then, "--as-known-on", "change 1")[1]
    assert "those of the logbook after change 1." in " ".join(out.split())
    said(capsys, *words, now)
    said(capsys, "learn", TAIL, DEMO / "log", "--chart", TAIL_CHART, "--output", folder)
    origins = [adapt.read_coefficients(file).origin for file in (then, now, folder)]
    assert [o.get("log_change") for o in origins] == [1, 2, None]
    assert origins[0]["log_seal"] == seal
    assert origins[1]["log_seal"] != seal
