"""The analyst's tables and pictures, from a comparison of an invented fleet."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from invented_fleet import Fleet, fleet, history

from adapt.outcomes import Decisions, Outcome, compare, replay_decisions
from adapt.problems import AdaptError
from adapt.reports.layout import Table
from adapt.reports.outcomes.compared import compare_report
from adapt.reports.outcomes.compared_by import compared_by
from adapt.reports.outcomes.decided import decisions_document, decisions_report
from adapt.reports.outcomes.held import held
from adapt.reports.pictures.folder import write_pictures
from adapt.reports.pictures.outcomes import outcome_pictures
from adapt.reports.show import as_text
from adapt.rotor import Limit


@pytest.fixture(scope="module")
def flown() -> tuple[Fleet, Outcome]:
    f = fleet(np.random.default_rng(101), rotors=15, jobs=2, runs=3)
    f.rotor = replace(f.rotor, limits=(*f.rotor.limits, Limit(None, 18.0)))
    return f, compare(f.rotor, f.history, f.chart)


@pytest.fixture(scope="module")
def decided() -> Decisions:
    f = fleet(np.random.default_rng(102), rotors=4, jobs=1, runs=3)
    rotor = replace(f.rotor, limits=f.rotor.limits[:1])
    return replay_decisions(rotor, f.history, f.chart, aim="smoothest")


def tables(report: object) -> list[Table]:
    return [block for block in report if isinstance(block, Table)]  # type: ignore[attr-defined]


def test_the_whole_report_reads_as_text(flown: tuple[Fleet, Outcome]) -> None:
    f, outcome = flown
    text = as_text(compare_report(outcome, f.rotor))
    flat = " ".join(text.split())
    for words in (
        "Early fit: what was known when 10 jobs of the log had begun, and nothing since.",
        "By what was moved: skill",
        "Do stated intervals hold?",
        "Do stated chances hold?",
        "Where the chart is wrong",
        "clearly better in",
    ):
        assert words in flat
    assert "nan" not in text.lower()
    assert max(len(line) for line in text.splitlines()) <= 100


def test_without_a_chart_its_columns_are_left_out() -> None:
    f = fleet(np.random.default_rng(103), rotors=5, jobs=1, runs=4)
    text = as_text(compare_report(compare(f.rotor, f.history), f.rotor))
    assert "no chart was given" in text
    assert "nan" not in text.lower()


def test_a_large_fleet_shows_the_rotors_that_are_predicted_worst(
    flown: tuple[Fleet, Outcome],
) -> None:
    _, outcome = flown
    report = compared_by(outcome)
    text = as_text(report)
    assert "3 more rotors, all predicted better." in text
    by = outcome.breakdown
    mine = by[(by.by == "rotor") & (by["of"] == "vibration") & (by.method == "learned")]
    worst = mine.sort_values("skill").group
    table = next(t for t in tables(report) if any("R0" in row[0] for row in t.rows))
    shown = [row[0].strip() for row in table.rows[1:13]]
    assert shown == list(worst[:12])
    assert worst.iloc[-1] not in shown


def test_shares_stand_where_they_belong(flown: tuple[Fleet, Outcome]) -> None:
    _, outcome = flown
    coverage, reliability, _ = tables(held(outcome))
    row = next(r for r in coverage.rows if r[0].strip() == "all")
    stated = outcome.coverage
    first = stated[(stated["of"] == "vibration") & stated.experience.isna()].set_index("level")
    assert row[1] == str(first.readings.iloc[0])
    assert row[2] == f"{round(100 * first.share[0.5])} %"
    assert row[5].startswith(f"{round(100 * first.share[0.95])} % (")
    assert sum(int(r[1]) for r in reliability.rows if r[1]) == outcome.reliability.number.sum()


def test_few_jobs_are_told_of_without_empty_brackets() -> None:
    """Four jobs: no intervals, and an early fit that was never made."""
    f = fleet(np.random.default_rng(104), rotors=2, jobs=2, runs=3)
    text = " ".join(as_text(compare_report(compare(f.rotor, f.history, f.chart), f.rotor)).split())
    assert "and nothing since; here the same as learned." in text
    assert "Brier score, vibration: 0." in text
    assert "(- to -)" not in text
    assert "better in none of" not in text  # four jobs tell nothing of better or worse


def test_a_comparison_of_nothing_still_reads(flown: tuple[Fleet, Outcome], tmp_path: Path) -> None:
    f, _ = flown
    empty = compare(f.rotor, history([], []), f.chart)
    text = as_text(compare_report(empty, f.rotor))
    assert "0 runs of 0 jobs" in text
    assert "in no job that is used was anything read in two runs" in " ".join(text.split())
    assert write_pictures(outcome_pictures(empty, f.rotor), tmp_path / "none") == []


@pytest.fixture(scope="module")
def drawn(flown: tuple[Fleet, Outcome], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pictures' files, in a folder that was not there."""
    f, outcome = flown
    folder = tmp_path_factory.mktemp("drawn") / "a" / "figures"
    return write_pictures(outcome_pictures(outcome, f.rotor), folder)


def test_pictures_are_written_whole_and_show_every_pair(
    flown: tuple[Fleet, Outcome], drawn: list[Path]
) -> None:
    _, outcome = flown
    paths, folder = drawn, drawn[0].parent
    names = {path.stem for path in paths}
    assert names == {
        "change-sensor-1", "change-sensor-2", "skill-by-channel", "error-by-experience",
        "calibration",
    }  # fmt: skip
    assert sorted(p.name for p in folder.iterdir()) == sorted(p.name for p in paths)
    for path in paths:
        if path.suffix == ".png":
            assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
        else:
            ElementTree.parse(path)
    table = outcome.predictions
    pairs = table[(table.sensor == "sensor 1") & table.moved & (table.method == "chart")]
    shown = min(len(pairs), 80)
    picture = ElementTree.parse(folder / "change-sensor-1.svg").getroot()
    used = [e for e in picture.iter() if e.tag.endswith("}use")]
    assert len(used) >= 2 * 2 * shown  # both ends, both panels


def test_the_same_picture_is_the_same_file(
    flown: tuple[Fleet, Outcome], drawn: list[Path], tmp_path: Path
) -> None:
    f, outcome = flown
    one = {p.name: p.read_bytes() for p in drawn}
    two = {
        p.name: p.read_bytes()
        for p in write_pictures(outcome_pictures(outcome, f.rotor), tmp_path / "two")
    }
    assert one == two


def test_a_folder_that_cannot_be_made_is_told(flown: tuple[Fleet, Outcome], tmp_path: Path) -> None:
    f, outcome = flown
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(AdaptError, match="file"):
        write_pictures(outcome_pictures(outcome, f.rotor), tmp_path / "file" / "figures")


def test_decisions_read_as_text_with_what_a_replay_cannot_show(decided: Decisions) -> None:
    text = as_text(decisions_report(decided))
    assert "Plan by what was known" in text
    assert "cannot show what moves that nobody made would have done" in " ".join(text.split())
    assert "nan" not in text.lower()
    first = decided.summary[(decided.summary.by == "learned") & decided.summary["first"]].iloc[0]
    assert f"{round(100 * first.known_now)} %" in text


def test_without_a_limit_no_job_is_said_to_have_failed(decided: Decisions) -> None:
    jobs = decided.jobs.assign(told=0, runs_to_inside=np.nan, inside_after_first=np.nan)
    text = as_text(decisions_report(replace(decided, jobs=jobs)))
    assert "nothing that was read has a limit." in text
    assert "0 came inside" not in text
    some = decided.jobs.assign(told=[0, *decided.jobs.told[1:]])
    text = " ".join(as_text(decisions_report(replace(decided, jobs=some))).split())
    assert f"of the {len(some) - 1} that read something with a limit came inside" in text


def test_decisions_as_a_document_are_json(decided: Decisions) -> None:
    document = json.loads(json.dumps(decisions_document(decided), allow_nan=False))
    assert {row["by"] for row in document["table"]} == {"made", "chart", "learned"}
    made = next(row for row in document["table"] if row["by"] == "made")
    assert made["plan"]
    assert set(made["plan"][0]) == {"blade", "adjuster", "amount"}
