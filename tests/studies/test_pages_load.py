"""The study of load: few people are all answered, and it would see a failure and a loss."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from demo_folder import copied_demo, jobs_with, keep_jobs

sys.path.insert(0, str(Path(__file__).parents[2] / "studies"))

import pages_load
from pages_load import BARE, Found, User, demo_logbook, report, run


def test_few_people_are_all_answered_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the tail rotors alone, which are learned from and planned for in no time."""
    demo = copied_demo(tmp_path / "demo")
    keep_jobs(demo.log, jobs_with(demo.log, "design", "tail rotor"))
    monkeypatch.setattr(pages_load, "DEMO", demo.folder)
    monkeypatch.setattr(pages_load, "DESIGNS", {"tail": "tail-chart.csv"})
    place = tmp_path / "fleet.logbook"
    demo_logbook(place)
    found = run(place, 3, 1.0, 0.05)
    assert (found.failed, found.missing) == ([], [])
    assert found.entered
    assert {"jobs", "job", "entry form", "run entered", BARE} <= {
        page for page, took in found.seconds.items() if took
    }
    assert found.seconds["plan"] or found.seconds["plan on its way"]


def test_what_fails_is_told(monkeypatch: pytest.MonkeyPatch, capsys, tmp_path: Path) -> None:
    nobody = User("http://127.0.0.1:1/", 0, 0.0)  # where no server listens
    assert nobody.asks("jobs", "/") == ""
    assert "ConnectionRefusedError" in nobody.found.failed[0]

    lost = Found(1, 2.0, entered=[("J-1", "2")], missing=[("J-1", "2")])
    assert "1 of them missing" in report(lost)[0]
    monkeypatch.setattr(pages_load, "demo_logbook", lambda place: None)
    monkeypatch.setattr(pages_load, "run", lambda *asked: lost)
    monkeypatch.setattr(sys, "argv", ["pages_load.py", "--quick"])
    assert pages_load.main() == 1
    assert "1 runs entered" in capsys.readouterr().out


def test_times_stand_beside_a_bare_files(tmp_path: Path) -> None:
    found = Found(2, 1.0)
    found.seconds["job"] = [0.02, 0.04, 0.06]
    found.seconds[BARE] = [0.005, 0.01, 0.1]
    line = next(line for line in report(found) if line.startswith("job"))
    assert line.split() == ["job", "3", "40.0", "58.0", "4.0"]
