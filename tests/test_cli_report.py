"""The report of a job as people ask for it: text, HTML, PDF, JSON, from a folder and a logbook."""

from __future__ import annotations

import io
import json
import re
import shutil
from pathlib import Path

import pypdf
import pytest
from books import DEMO, demo_rotors, fresh, imported, to_write
from demo_folder import copied_demo, jobs_with, keep_jobs

from adapt.cli import main
from adapt.logbook.jobs import set_status
from adapt.reports.cautions import WHOLE


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    copied_demo(folder / "demo")
    files = ["main-rotor.toml", "log", "chart.csv"]
    rotor, log, chart = (str(folder / "demo" / name) for name in files)
    output = folder / "learned.json"
    assert main(["learn", rotor, log, "--chart", chart, "--output", str(output)]) == 0
    return output


@pytest.fixture(scope="module")
def few(learned: Path) -> Path:
    """The log of two rotors: what was known when a job began is learned sooner."""
    log = Path(shutil.copytree(learned.parent / "demo" / "log", learned.parent / "few"))
    keep_jobs(log, jobs_with(log, "rotor", "MR-101", "MR-108"))
    return log


def asked(learned: Path, *words: str, log: Path | None = None) -> int:
    demo = learned.parent / "demo"
    files = [str(demo / "main-rotor.toml"), str(log or demo / "log")]
    return main(["report", *files, "--coefficients", str(learned), *words])


def test_a_job_on_its_way_is_reported_with_its_plan(learned: Path, capsys, tmp_path: Path) -> None:
    page, paper = tmp_path / "job.html", tmp_path / "job.pdf"
    assert asked(learned, "--job", "J-058", "--html", str(page), "--pdf", str(paper)) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Main rotor MR-107 on OV-TG, job J-058" in text
    assert "Run 1 is over" in text
    assert "red hub weight +240 g" in text
    html = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))
    document = pypdf.PdfReader(io.BytesIO(paper.read_bytes()))
    printed = re.sub(r"\s+", " ", " ".join(p.extract_text() for p in document.pages))
    for words in ("Proven: fewer moves do not reach the target", "Pitch links: independent",
                  "To be signed by licensed people", "This page releases nothing",
                  "autorotation rpm as the manual says"):  # fmt: skip
        assert words in text
        assert words in html
        assert words in printed
    for caution in WHOLE:
        assert caution in printed
    # Every page says what it is of, and as of when.
    for sheet in document.pages:
        assert "job J-058" in sheet.extract_text()
        assert "not an approval" in re.sub(r"\s+", " ", sheet.extract_text())


def test_a_job_that_is_inside_asks_for_no_move_and_looks_back(
    learned: Path, few: Path, capsys
) -> None:
    assert asked(learned, "--job", "J-045", log=few) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Everything with a limit that run 3 read is inside it." in text
    assert "None is needed: run 3 is inside every limit." in text
    assert "Checks that these moves call for" not in text
    assert "Run 3, reading by reading" in text
    # Run 2 was over in 90 kt: the log says 0.22 of 0.2.
    assert re.search(r"90 kt 0\.200 0\.220 @ 8:45 ! 0\.220 @ 6:52 ! 0\.120 @ 9:02", text)


def test_the_document_holds_what_the_log_says(learned: Path, few: Path, capsys) -> None:
    assert asked(learned, "--job", "J-045", "--json", log=few) == 0
    document = json.loads(capsys.readouterr().out)
    assert [run["run"] for run in document["runs"]] == ["1", "2", "3"]
    assert document["runs"][0]["moves"] == [
        {"blade": "blue", "adjuster": "pitch link", "amount": -6.0}
    ]
    assert document["runs"][2]["over"] == []
    over = {(o.get("sensor"), o["regime"]): o["ratio"] for o in document["runs"][1]["over"]}
    assert over["cabin vertical", "90 kt"] == pytest.approx(0.22 / 0.2)
    assert over[None, "hover"] == pytest.approx(24.0 / 20.0)
    methods = {row["method"] for row in document["foretold"]["readings"]}
    assert methods == {"no change", "chart", "learned"}
    assert document["plan"]["after_run"] == "3"


def test_a_logbook_says_the_status_and_as_of_when(learned: Path, capsys, tmp_path: Path) -> None:
    place = tmp_path / "fleet.logbook"
    taken = imported(fresh(str(place)), DEMO / "log", rotors=demo_rotors(), with_faults=True)
    assert taken.change == 1
    set_status(to_write(str(place)), "J-045", "closed", "tester", closing_run="3",
               released_by="N. Example")  # fmt: skip
    assert asked(learned, "--job", "J-045", log=place) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Status: closed with run 3, released by N. Example." in text
    assert "None: the job is closed." in text
    assert "after change 2," in text
    assert asked(learned, "--job", "J-045", "--as-known-on", "change 1", log=place) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Status: open." in text
    assert "after change 1," in text


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--job", "J-999"], "job J-999 is not in the log"),
        (["--job", "J-045", "--limits", "nowhere"], "nowhere"),
        (["--job", "J-045", "--pdf", "x", "--html", "x"], "expected another file to write to"),
    ],
)
def test_what_cannot_be_reported_is_told(learned: Path, capsys, words, told, monkeypatch) -> None:
    monkeypatch.chdir(learned.parent)
    assert asked(learned, *words) == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert not (learned.parent / "x").exists()


def test_a_job_set_aside_tells_its_faults(learned: Path, capsys) -> None:
    # The demo holds one clock angle that is none.
    assert asked(learned, "--job", "J-018") == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "readings.csv, row 614, column clock: found '13:75'" in told


def test_a_plan_is_ordered_by_the_command_and_the_report_says_so(
    learned: Path, capsys, tmp_path: Path
) -> None:
    place = tmp_path / "fleet.logbook"
    assert imported(fresh(str(place)), DEMO / "log", with_faults=True).change == 1
    rotor = str(learned.parent / "demo" / "main-rotor.toml")
    words = ["plan", rotor, str(place), "--job", "J-058", "--coefficients", str(learned)]
    assert main([*words, "--order", "before the flight", "--by", "N. Example"]) == 0
    assert "ordered, as change 2" in capsys.readouterr().err
    assert asked(learned, "--job", "J-058", log=place) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "After run 1 3 moves ordered by N. Example, with a chance of >99 %" in text
    assert "not made yet" in text
    folder = str(learned.parent / "demo" / "log")
    assert main([*words[:2], folder, *words[3:], "--order"]) == 2
    assert "--order: expected LOG to be a logbook" in capsys.readouterr().err
