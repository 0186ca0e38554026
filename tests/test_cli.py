"""The commands: how they start, what they print where, and how they end when something is wrong."""

from __future__ import annotations

import io
import json
import os
import shlex
import shutil
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest
from demo_folder import copied_demo, keep_jobs

import adapt
from adapt.cli import main
from adapt.commands import COMMANDS
from adapt.commands.logbook import VERBS

HEAVY = ("numpy", "pandas", "scipy", "rich", "python_calamine", "sqlalchemy")


def run(*words: str, **kwargs) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "adapt", *words], capture_output=True, text=True, **kwargs
    )


@pytest.mark.parametrize("words", [["--help"], ["plan", "--help"], ["--version"]])
def test_help_and_version_load_nothing_heavy(words: list[str]) -> None:
    code = (
        "import sys\nfrom adapt.cli import main\n"
        f"assert main({words!r}) == 0\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stderr.strip() == "[]"
    assert "adapt" in done.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str, capsys) -> None:
    assert main([command, "--help"]) == 0
    assert f"adapt {command}" in capsys.readouterr().out.split("example:")[1]


@pytest.mark.parametrize("command", COMMANDS)
def test_the_example_of_each_command_is_understood(command: str, capsys) -> None:
    from adapt.commands import parser

    main([command, "--help"])
    for line in capsys.readouterr().out.split("example:")[1].strip().splitlines():
        # An example of a command with verbs may go on to what comes next.
        named = parser().parse_args(shlex.split(line)[1:]).command
        assert named == command or (command == "logbook" and named == "plan")


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_of_the_logbook_has_help_with_an_example_that_is_understood(
    verb: str, capsys
) -> None:
    from adapt.commands import parser

    assert main(["logbook", verb, "--help"]) == 0
    lines = capsys.readouterr().out.split("example:")[1].strip().splitlines()
    asked = [parser().parse_args(shlex.split(line)[1:]) for line in lines]
    assert {a.command for a in asked} == {"logbook"}
    assert verb in [a.verb for a in asked], "others may stand before or after it"


def test_the_aims_that_can_be_asked_for_are_those_of_the_planner() -> None:
    from adapt.commands.asking import AIMS
    from adapt.planning import planner

    assert planner.AIMS == AIMS


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["fly"],
        ["check"],
        ["check", "a", "b", "c"],
        ["plan", "a", "b"],
        ["plan", "a", "b", "--job", "J", "--aim", "best"],
        ["plan", "a", "b", "--job", "J", "--chance", "90"],
        ["plan", "a", "b", "--job", "J", "--chance", "nan"],
        ["plan", "a", "b", "--job", "J", "--chance", "1"],
        ["plan", "a", "b", "--job", "J", "--most-moves", "-1"],
        ["plan", "a", "b", "--job", "J", "--chart", "c", "--coefficients", "d"],
        ["compare", "a", "b"],
    ],
)
def test_a_command_that_is_not_understood_is_bad_input(words: list[str], capsys) -> None:
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("adapt: ")
    assert "usage: adapt" in err


def test_with_json_a_misunderstood_command_still_prints_one_document(capsys) -> None:
    assert main(["plan", "a", "b", "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert "--job" in document["error"]
    assert document["problems"] == []


def test_files_that_are_not_there_are_named_on_standard_error(capsys) -> None:
    assert main(["check", "no-such.toml", "no-such-folder"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "no-such.toml" in err
    assert "no-such-folder" in err
    assert "Traceback" not in err


def test_with_json_the_problems_stand_in_the_document(capsys) -> None:
    assert main(["learn", "no-such.toml", "no-such-folder", "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert "no-such.toml" in document["error"]
    assert {p["severity"] for p in document["problems"]} == {"fault"}


def test_a_mistake_of_the_program_is_told_without_a_traceback(monkeypatch, capsys) -> None:
    def broken(path: str) -> None:
        raise ZeroDivisionError("one by none")

    monkeypatch.setattr(adapt, "read_rotor", broken)
    monkeypatch.delenv("ADAPT_DEBUG", raising=False)
    assert main(["check", "a.toml", "log", "--json"]) == 70
    out, err = capsys.readouterr()
    assert "mistake of the program's own" in err
    assert "one by none" in json.loads(out)["error"]
    assert "Traceback" not in err

    monkeypatch.setenv("ADAPT_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        main(["check", "a.toml", "log"])


def test_an_interruption_ends_quietly(monkeypatch, capsys) -> None:
    def interrupted(path: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(adapt, "read_rotor", interrupted)
    assert main(["check", "a.toml", "log"]) == 130
    assert capsys.readouterr().err == "adapt: interrupted\n"


def test_a_request_that_cannot_be_met_is_status_one(monkeypatch, capsys) -> None:
    def not_now(path: str) -> None:
        raise adapt.CannotBeMet("moves are logged after the last run; fly and read it first")

    monkeypatch.setattr(adapt, "read_rotor", not_now)
    assert main(["check", "a.toml", "log", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["error"].startswith("moves are logged")


def test_a_file_that_may_not_be_read_is_bad_input(monkeypatch, capsys) -> None:
    def locked(path: str) -> None:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(adapt, "read_rotor", locked)
    assert main(["check", "secret.toml", "log"]) == 2
    assert "secret.toml: Permission denied" in capsys.readouterr().err


def test_control_characters_in_names_do_not_reach_the_terminal(capsys) -> None:
    main(["check", "rotor\x1b[2J.toml", "log"])
    assert "\x1b" not in capsys.readouterr().err


def test_output_that_nobody_reads_ends_without_a_message(demo) -> None:
    words = [sys.executable, "-m", "adapt", "check", str(demo.main_rotor), str(demo.log)]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(words, stdout=write, stderr=subprocess.PIPE, text=True)
    os.close(write)
    assert done.returncode == 141
    assert done.stderr == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("rotor", ["main-rotor.toml", "no-such.toml"])
def test_an_answer_that_cannot_be_written_is_said(demo, rotor: str) -> None:
    words = [sys.executable, "-m", "adapt", "check", str(demo.folder / rotor), str(demo.log)]
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*words, "--json"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 74
    assert "the answer could not be written" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("closed", ["1>&-", "2>&-"])
def test_a_closed_output_ends_like_an_open_one(demo, closed: str) -> None:
    command = f"'{sys.executable}' -m adapt learn '{demo.tail_rotor}' '{demo.log}' --json {closed}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    if closed == "2>&-":
        assert json.loads(done.stdout)["vibration"]


def test_output_in_a_poor_encoding_is_still_printed(demo) -> None:
    env = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = run("learn", str(demo.tail_rotor), str(demo.log), env=env)
    assert done.returncode == 0
    assert "span weight" in done.stdout.casefold()
    assert " ? " in done.stdout, "in place of what the encoding cannot say"


class TestOnTheDemo:
    """Every command on the demo folder, as a person would type it."""

    def test_check_lists_the_faults_and_says_so_in_its_status(self, demo, capsys) -> None:
        assert main(["check", str(demo.main_rotor), str(demo.log)]) == 2
        text = capsys.readouterr().out
        assert "readings.csv" in text
        assert "Set aside" in text
        assert main(["check", str(demo.main_rotor), str(demo.log), "--json"]) == 2
        document = json.loads(capsys.readouterr().out)
        assert document["faults"]
        assert all(p["file"] and p["expected"] for p in document["faults"])

    def test_learn_says_what_it_left_out(self, learned) -> None:
        assert "left out because of faults" in learned.err
        assert "2 doubts about what the log says, used as it is; 'adapt check" in learned.err
        assert "adapt check" in learned.err
        assert "cabin lateral [ips" in learned.out

    def test_learn_writes_coefficients_that_plan_can_use(self, demo, learned, capsys) -> None:
        files = [str(demo.main_rotor), str(demo.log)]
        job = ["--job", demo.main_job, "--json"]
        assert main(["plan", *files, *job, "--coefficients", learned.target]) == 0
        stored = json.loads(capsys.readouterr().out)
        assert main(["plan", *files, *job, "--chart", str(demo.main_chart)]) == 0
        fresh = json.loads(capsys.readouterr().out)
        assert stored["moves"] == fresh["moves"]
        assert stored["chance"] == pytest.approx(fresh["chance"], abs=1e-6)
        assert stored["coefficients_from"] != fresh["coefficients_from"]

    def test_learn_says_that_it_was_asked_for_a_robust_fit(self, demo, tmp_path, capsys) -> None:
        target = tmp_path / "learned.json"
        files = [str(demo.tail_rotor), str(demo.log)]
        assert main(["learn", *files, "--robust", "--output", str(target)]) == 0
        assert "robust fit:" in capsys.readouterr().out
        assert json.loads(target.read_text())["origin"]["robust"] is True
        assert main(["learn", *files, "--output", str(target)]) == 0
        assert "robust" not in json.loads(target.read_text())["origin"]

    def test_learn_prints_one_document_with_the_promised_keys(self, demo, capsys) -> None:
        assert main(["learn", str(demo.tail_rotor), str(demo.log), "--json"]) == 0
        document = json.loads(capsys.readouterr().out)
        assert {"vibration", "track", "noise", "suspects", "reference"} <= set(document)

    def test_plan_reads_like_a_plan(self, demo, learned, capsys) -> None:
        files = [str(demo.main_rotor), str(demo.log), "--coefficients", learned.target]
        assert main(["plan", *files, "--job", demo.main_job]) == 0
        text, said = capsys.readouterr()
        for words in (demo.main_job, "What to do", "Ratio", "Cautions", "more or fewer moves"):
            assert words in text
        assert "2 doubts about what the log says, used as it is" in said

    def test_a_plan_that_cannot_be_met_still_prints_its_document(
        self, demo, learned, capsys
    ) -> None:
        files = [str(demo.main_rotor), str(demo.log), "--coefficients", learned.target]
        asked = ["plan", *files, "--job", demo.main_job, "--most-moves", "0", "--json"]
        assert main(asked) == 1
        document = json.loads(capsys.readouterr().out)
        assert document["feasible"] is False
        assert document["stopped_by"]
        assert document["moves"] == []

    def test_an_unknown_job_is_bad_input(self, demo, learned, capsys) -> None:
        files = [str(demo.main_rotor), str(demo.log), "--coefficients", learned.target]
        assert main(["plan", *files, "--job", "no such job"]) == 2
        assert "no such job" in capsys.readouterr().err

    def test_an_unknown_set_of_limits_is_bad_input(self, demo, learned, capsys) -> None:
        files = [str(demo.main_rotor), str(demo.log), "--coefficients", learned.target]
        assert main(["plan", *files, "--job", demo.main_job, "--limits", "nothing"]) == 2
        assert "maintenance" in capsys.readouterr().err

    def test_compare_prints_one_document_with_the_promised_keys(self, demo, capsys) -> None:
        files = [str(demo.tail_rotor), str(demo.log), "--chart", str(demo.tail_chart)]
        assert main(["compare", *files, "--json"]) == 0
        document = json.loads(capsys.readouterr().out)
        assert set(document["summary"][0]) >= {"method", "sensor", "regime", "rms_error", "skill"}
        methods = {row["method"] for row in document["summary"]}
        assert methods == {"no change", "chart", "early fit", "learned"}
        assert set(document["chart_fit"][0]) >= {"sensor", "regime", "adjuster", "gain", "gain_low"}

    def test_compare_draws_decides_and_puts_the_chart_right(
        self, demo, few, capsys, tmp_path
    ) -> None:
        files = [str(demo.tail_rotor), str(few), "--chart", str(demo.tail_chart)]
        corrected, figures = tmp_path / "corrected.csv", tmp_path / "figures"
        words = ["--decisions", "--figures", str(figures), "--corrected-chart", str(corrected)]
        assert main(["compare", *files, *words]) == 0
        out, err = capsys.readouterr()
        assert "Decisions replayed" in out
        assert "it would count twice" in err
        assert (figures / "calibration.png").exists()
        log = [str(demo.tail_rotor), str(few), "--chart", str(corrected)]
        assert main(["learn", *log]) == 0

    def test_compare_with_two_workers_prints_the_same_document(self, demo, few, capsys) -> None:
        files = [str(demo.tail_rotor), str(few), "--chart", str(demo.tail_chart)]
        asked = [*files, "--decisions", "--json"]
        printed = []
        for words in ([], ["--workers", "2"]):
            assert main(["compare", *asked, *words]) == 0
            printed.append(json.loads(capsys.readouterr().out))
        assert printed[0] == printed[1]
        assert printed[0]["decisions"]["table"]

    @pytest.mark.parametrize("words", [["--workers", "0"], ["--limits", "nothing"]])
    def test_compare_refuses_what_it_cannot_use(self, demo, capsys, words) -> None:
        files = [str(demo.tail_rotor), str(demo.log), "--chart", str(demo.tail_chart)]
        assert main(["compare", *files, *words]) == 2
        assert words[1] in capsys.readouterr().err

    def test_a_chart_of_another_rotor_is_bad_input(self, demo, capsys) -> None:
        files = [str(demo.tail_rotor), str(demo.log), "--chart", str(demo.main_chart)]
        assert main(["learn", *files]) == 2
        assert "chart.csv" in capsys.readouterr().err


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory):
    return copied_demo(tmp_path_factory.mktemp("demo") / "demo")


@pytest.fixture(scope="module")
def few(demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of two tail rotors alone."""
    log = Path(shutil.copytree(demo.log, tmp_path_factory.mktemp("few") / "log"))
    keep_jobs(log, {"J-005", "J-035", "J-016", "J-043"})
    return log


@dataclass(frozen=True)
class Learned:
    """What `adapt learn` wrote and printed."""

    target: str
    out: str
    err: str


@pytest.fixture(scope="module")
def learned(demo, tmp_path_factory: pytest.TempPathFactory) -> Learned:
    """The main rotor's coefficients: once for all that is planned with them."""
    target = str(tmp_path_factory.mktemp("learned") / "learned.json")
    files = [str(demo.main_rotor), str(demo.log), "--chart", str(demo.main_chart)]
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        assert main(["learn", *files, "--output", target]) == 0
    return Learned(target, out.getvalue(), err.getvalue())
