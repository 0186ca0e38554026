"""What a plan's report says of newer entries that were held back."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
from demo_folder import copied_demo, jobs_with, keep_jobs

import adapt
from adapt.cli import main

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
ROTORS = ("MR-101", "MR-102", "MR-107")


def few_rotors(folder: Path) -> Path:
    """Return a copy of the demo's log with three of its rotors."""
    log = copied_demo(folder / "demo").log
    keep_jobs(log, jobs_with(log, "rotor", *ROTORS))
    return log


def test_a_plan_says_which_newer_entry_is_suspect_and_how_to_list_it(
    tmp_path: Path, capsys
) -> None:
    rotor = adapt.read_rotor(DEMO / "main-rotor.toml")
    log = few_rotors(tmp_path)
    history = adapt.check(rotor, adapt.read_log(log))
    learned = adapt.learn(rotor, history, chart=adapt.read_chart(DEMO / "chart.csv", rotor))
    pairs = history.moves.groupby(["job", "after_run"])["amount"].apply(lambda x: x.abs().max())
    taught = [p for p in pairs.index if p in learned.taught]
    rotor_of = dict(zip(history.runs["job"], history.runs["rotor"], strict=True))
    last = history.runs.groupby("rotor")["job"].last()
    job, after = next(p for p in reversed(taught) if last[rotor_of[p[0]]] == p[0])
    moves = pd.read_csv(log / "moves.csv", dtype=str)
    at = (moves["job"] == job) & (moves["after_run"] == after)
    held = moves[at].copy()
    early = tmp_path / "early"
    shutil.copytree(log, early)
    for name in ("runs", "readings", "track", "moves", "events"):
        path = early / f"{name}.csv"
        if path.exists():
            table = pd.read_csv(path, dtype=str)
            table[table["job"] != job].to_csv(path, index=False)
    moves.loc[at, "amount"] = [str(-float(x)) for x in held["amount"]]
    moves.to_csv(log / "moves.csv", index=False)
    files = [str(DEMO / "main-rotor.toml")]
    chart = ["--chart", str(DEMO / "chart.csv")]
    stored = str(tmp_path / "c.json")
    assert main(["learn", *files, str(early), *chart, "--output", stored]) == 0
    capsys.readouterr()
    asked = ["plan", *files, str(log), "--job", job, "--coefficients", stored]
    assert main(asked) in (0, 1)
    text = capsys.readouterr().out
    assert "Look at this first" in text
    assert f"suspect entry in job {job} from run {after} on" in " ".join(text.split())
    assert main([*asked, "--json"]) in (0, 1)
    concerns = json.loads(capsys.readouterr().out)["concerns"]
    assert any(f"review {files[0]} {log}" in line for line in concerns)


def test_pairs_that_agree_on_a_turn_are_told_before_the_moves(tmp_path: Path, capsys) -> None:
    """The demo's pickup slips by a quarter turn before a long job, and nobody logs it."""
    log = few_rotors(tmp_path)
    readings = pd.read_csv(log / "readings.csv", dtype=str)
    runs = pd.read_csv(log / "runs.csv", dtype=str)
    job = "J-054"
    rotor = str(runs.loc[runs["job"] == job, "rotor"].iloc[0])
    at = readings["job"] == job
    design = adapt.read_rotor(DEMO / "main-rotor.toml")
    for sensor in design.sensors:
        clock = readings.loc[at & (readings["sensor"] == sensor.name), "clock"].dropna()
        hours = 3 if sensor.phase == "lag" else -3
        readings.loc[clock.index, "clock"] = [_turned(text, hours) for text in clock]
    readings.to_csv(log / "readings.csv", index=False)
    # Tonight's job of that rotor is left out: the slipped one is its last.
    late = set(runs.loc[runs["rotor"] == rotor, "job"][lambda jobs: jobs > job])
    for name in ("runs", "readings", "track", "moves", "events", "fitted"):
        path = log / f"{name}.csv"
        if path.exists():
            table = pd.read_csv(path, dtype=str)
            table[~table["job"].isin(late)].to_csv(path, index=False)
    files = [str(DEMO / "main-rotor.toml"), str(log), "--chart", str(DEMO / "chart.csv")]
    assert main(["learn", *files]) == 0
    learned = " ".join(capsys.readouterr().out.split())
    assert f"pairs of job {job} on {rotor} from run 1 on read as if the phase reference" in learned
    assert main(["learn", *files, "--json"]) == 0
    turned = json.loads(capsys.readouterr().out)["turned"]
    assert [(row["rotor"], row["job"], row["after_run"]) for row in turned] == [(rotor, job, "1")]
    assert abs(turned[0]["angle_deg"] - 90.0) < 12.0
    assert main(["plan", *files, "--job", job, "--seconds", "2"]) in (0, 1)
    planned = " ".join(capsys.readouterr().out.split())
    first = planned.index("Look at this first")
    assert f"pairs of job {job} on {rotor}" in planned[first : first + 200]


def _turned(clock: str, hours: int) -> str:
    """Turn a clock angle."""
    at, minutes = clock.split(":")
    return f"{(int(at) + hours - 1) % 12 + 1}:{minutes}"


def test_a_plan_says_what_is_doubtful_in_its_job_and_in_no_other(tmp_path: Path, capsys) -> None:
    """Amplitudes in another unit: each is far beyond its limit."""
    demo = copied_demo(tmp_path / "demo")
    path = demo.log / "readings.csv"
    table = pd.read_csv(path, dtype=str)
    mine = table["job"] == demo.tail_job
    table.loc[mine, "amplitude"] = (table.loc[mine, "amplitude"].astype(float) * 254).astype(str)
    table.to_csv(path, index=False)
    files = [str(demo.tail_rotor), str(demo.log), "--chart", str(demo.tail_chart), "--json"]
    assert main(["plan", *files, "--job", demo.tail_job]) in (0, 1)
    out, err = capsys.readouterr()
    concerns = json.loads(out)["concerns"]
    assert sum("at most 10 times the limit" in text for text in concerns) == 3
    assert any(text.endswith("more doubt about entries of this job") for text in concerns)
    assert "doubts about what the log says" in err
    other = table.loc[~mine & table["sensor"].str.startswith("gearbox"), "job"].iloc[0]
    assert main(["plan", *files, "--job", other]) in (0, 1)
    concerns = json.loads(capsys.readouterr().out)["concerns"]
    assert not any("doubt" in text for text in concerns)
