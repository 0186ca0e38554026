"""A plan through a logbook is the plan through the folder, whatever it reads and learns from."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from books import DEMO, copied, fresh, imported, numbered, part_of_demo, to_write, with_demo

import adapt
from adapt.cli import main
from adapt.commands import answering
from adapt.database.opening import open_logbook
from adapt.log.deciding import Decision
from adapt.log.reviewing import record, take_back
from adapt.logbook.correcting import correct
from adapt.logbook.publishing import publish
from adapt.logbook.sets import content_of, set_of, withdraw

MAIN, TAIL = str(DEMO / "main-rotor.toml"), str(DEMO / "tail-rotor.toml")
TAIL_CHART = str(DEMO / "tail-chart.csv")
JOB = "J-057"
SAME = ("rotor", "job", "after_run", "feasible", "moves", "chance", "joint_chance", "worst_ratio",
        "lower_bound", "proven", "readings", "track", "tradeoff", "alternatives", "stopped_by",
        "not_constrained")  # fmt: skip


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any], str]:
    status = main([*words, "--json"])
    said = capsys.readouterr()
    return status, json.loads(said.out), said.err


def planned(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    status, found, said = printed(capsys, "plan", *words)
    assert status in (0, 1), said
    return found


def same(one: dict[str, Any], other: dict[str, Any]) -> None:
    for name in SAME:
        assert one[name] == other[name], name


@pytest.fixture(scope="module")
def until_then(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's log without its last jobs, J-041 and after."""
    return part_of_demo(tmp_path_factory.mktemp("until then"), numbered(1, 40))


@pytest.fixture(scope="module")
def grow(until_then: Path) -> Callable[[str], None]:
    """Fills a logbook: a set is published before its last jobs come in."""

    def fill(place: str) -> None:
        book = fresh(place)
        assert imported(book, until_then, with_faults=True).change == 1
        publish(book, "spring", "tester", rotor=TAIL, chart=TAIL_CHART)
        assert imported(book, DEMO / "log", with_faults=True).change == 3

    return fill


@pytest.fixture
def grown(place: str, grow: Callable[[str], None]) -> str:
    """A logbook with a set that was published before its last jobs came in."""
    return copied(place, grow)


@pytest.fixture(scope="module")
def stored(until_then: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The coefficients that the log without its last jobs teaches, in a file."""
    rotor = adapt.read_rotor(TAIL)
    learned = adapt.learn(rotor, until_then, adapt.read_chart(TAIL_CHART, rotor))
    file = tmp_path_factory.mktemp("stored") / "stored.json"
    adapt.write_coefficients(learned, file)
    return str(file)


def test_the_demo_through_a_logbook_plans_as_through_its_folder(
    grown: str, stored: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = str(DEMO / "log")
    learned = planned(capsys, TAIL, folder, "--job", JOB, "--chart", TAIL_CHART)
    same(learned, planned(capsys, TAIL, grown, "--job", JOB, "--chart", TAIL_CHART))
    from_file = planned(capsys, TAIL, folder, "--job", JOB, "--coefficients", stored)
    by_file = planned(capsys, TAIL, grown, "--job", JOB, "--coefficients", stored)
    by_set = planned(capsys, TAIL, grown, "--job", JOB, "--set", "spring")
    same(from_file, by_file)
    same(from_file, by_set)
    assert learned["moves"]
    assert by_set["coefficients_from"].startswith("the published set spring (20")
    assert "learned from the state after change 1), with" in by_set["coefficients_from"]
    assert by_set["coefficients_from"].endswith(f"of {by_set['rotor']}")


@pytest.mark.parametrize("place", ["postgresql"], indirect=True)  # on a file: test_sets.py
def test_the_main_rotor_too(place: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with_demo(place)
    folder, chart, file = str(DEMO / "log"), str(DEMO / "chart.csv"), str(tmp_path / "main.json")
    assert printed(capsys, "learn", MAIN, folder, "--chart", chart, "--output", file)[0] == 0
    publish(to_write(place), "all", "tester", rotor=MAIN, chart=chart)
    words = ("--job", "J-058", "--seconds", "60")
    from_file = planned(capsys, MAIN, folder, *words, "--coefficients", file)
    same(from_file, planned(capsys, MAIN, place, *words, "--set", "all"))
    assert from_file["moves"]


def test_with_coefficients_only_the_rotor_of_the_job_is_read(
    grown: str, stored: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[set[str]] = []
    check = adapt.check

    def seen(rotor: Any, log: Any) -> Any:
        read.append(set(log.tables["runs"].text("rotor")))
        return check(rotor, log)

    monkeypatch.setattr(adapt, "check", seen)
    for source in (("--coefficients", stored), ("--set", "spring"), ("--chart", TAIL_CHART)):
        planned(capsys, TAIL, grown, "--job", JOB, *source)
    one, other, every = read
    assert len(one) == 1
    assert one == other
    assert len(every) > 10


def test_a_job_that_is_not_there_is_told_with_those_that_are_near(
    grown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, _, said = printed(capsys, "plan", TAIL, grown, "--job", "J-57", "--set", "spring")
    assert status == 2
    assert "J-57 is not in the log" in said
    assert "did you mean" in said


def decide(place: str, job: str, decision: str) -> None:
    rotor = adapt.read_rotor(TAIL)
    made = Decision(job, "moves", "1", "2", decision, "sign", "as somebody meant")
    record(rotor, place, adapt.check(rotor, place), made, datetime.now(UTC), by="N. N.")


def test_reviews_of_other_rotors_that_changed_what_taught_a_set_are_not_missed(
    grown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    rotor = adapt.read_rotor(TAIL)
    history = adapt.check(rotor, adapt.read_log(grown, known_on="change 1"))
    mine = str(adapt.read_log(grown).tables["runs"].text("rotor")[
        adapt.read_log(grown).tables["runs"].text("job") == JOB
    ][0])  # fmt: skip
    other = str(history.runs.loc[history.runs["rotor"] != mine, "job"].iloc[0])
    words = (TAIL, grown, "--job", JOB, "--set", "spring")
    before = planned(capsys, *words)
    decide(grown, other, "keep")
    same(before, planned(capsys, *words))
    take_back(grown, other, "2", by="N. N.")
    decide(grown, other, "exclude")
    status, _, said = printed(capsys, "plan", *words)
    assert status == 2
    assert f"reviews have changed since ({other} after run 1): learn again" in said
    # As it was known before that decision the set is in order.
    same(before, planned(capsys, *words, "--as-known-on", "change 3"))


def test_a_set_that_was_withdrawn_plans_nothing_but_what_was_known_before(
    grown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = (TAIL, grown, "--job", JOB, "--set", "spring")
    before = planned(capsys, *words)
    withdraw(to_write(grown), "spring", "A. Reed", "wrong chart")
    status, _, said = printed(capsys, "plan", *words)
    assert status == 1
    assert "withdrawn by A. Reed" in said
    assert "not to be used: wrong chart" in said
    then = planned(capsys, *words, "--as-known-on", "change 3")
    same(before, then)
    assert "WITHDRAWN since by A. Reed" in then["coefficients_from"]
    status, _, said = printed(capsys, "plan", *words, "--as-known-on", "change 1")
    assert status == 2
    assert "found 'spring'; expected a published set of this logbook (known: none)" in said


def test_entries_that_taught_a_set_and_were_corrected_since_are_told(
    grown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = (TAIL, grown, "--job", JOB, "--set", "spring")
    assert "CORRECTED" not in planned(capsys, *words)["coefficients_from"]
    moves = adapt.read_log(grown).tables["moves"]
    jobs = moves.text("job").tolist()
    for job in ("J-001", "J-002"):  # of a main rotor, of a tail rotor
        entry = int(moves.rows[jobs.index(job)])
        correct(to_write(grown), "moves", entry, {"amount": "6"}, "tester", "as on the card")
    found = planned(capsys, *words)
    assert "taught it CORRECTED since (J-002: publish another)" in found["coefficients_from"]
    then = planned(capsys, *words, "--as-known-on", "change 3")
    assert "CORRECTED" not in then["coefficients_from"]


@pytest.mark.parametrize("place", ["sqlite"], indirect=True)  # only what the commands do with it
def test_other_commands_take_sets_and_earlier_states(
    grown: str, stored: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    trial = ("trial", TAIL, "--mass", "9", "--radius", "480", "--adjuster", "span weight",
             "--log", grown, "--job", JOB)  # fmt: skip
    residual = ("residual", TAIL, grown, "--job", JOB, "--mass", "9", "--radius", "480",
                "--first-critical", "9000", "--adjuster", "span weight")  # fmt: skip
    for words in (trial, residual):
        status, by_set, said = printed(capsys, *words, "--set", "spring")
        assert status in (0, 1), said
        by_file = printed(capsys, *words, "--coefficients", stored)[1]
        drop = [k for k, v in by_set.items() if isinstance(v, str) and "spring" in v]
        assert {k: v for k, v in by_set.items() if k not in drop} == {
            k: v for k, v in by_file.items() if k not in drop
        }
    paper = ("to-paper", TAIL, grown, "--sensor", "gearbox radial", "--regime", "hover",
             "--output", str(tmp_path / "page.svg"), "--set", "spring")  # fmt: skip
    assert printed(capsys, *paper)[0] == 0
    for command in ("check", "learn"):
        now = printed(capsys, command, TAIL, grown)[1]
        then = printed(capsys, command, TAIL, grown, "--as-known-on", "change 1")[1]
        assert now != then


def test_what_only_a_logbook_has_is_refused_of_a_folder(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    shutil.copytree(DEMO / "log", tmp_path / "log")
    log = str(tmp_path / "log")
    status, _, said = printed(capsys, "plan", TAIL, log, "--job", JOB, "--set", "spring")
    assert status == 2
    assert "only a logbook holds published sets" in said
    status, _, said = printed(capsys, "check", TAIL, log, "--as-known-on", "2026-01-01")
    assert status == 2
    assert "is no logbook: only a logbook keeps earlier states" in said
    for words in (("--set", "x"), ("--as-known-on", "2026-01-01")):
        status, _, said = printed(
            capsys, "trial", TAIL, "--mass", "9", "--radius", "480", "--amplitude", "0.4",
            "--sensor", "gearbox radial", "--regime", "hover", *words,
        )  # fmt: skip
        assert (status, "go with --log, a logbook" in said) == (2, True)


def test_both_files_that_are_wrong_are_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, _, said = printed(
        capsys, "check", str(tmp_path / "no.toml"), str(tmp_path / "no.logbook")
    )
    assert status == 2
    assert "no readable file" in said
    assert "there is no logbook" in said


@pytest.mark.parametrize("place", ["postgresql"], indirect=True)  # a file has no password
def test_no_message_file_or_suggested_command_shows_a_password(
    grown: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    secret = grown.replace("hangar@", "hangar:seCRet@", 1)
    asked = secret + "?password=seCRet"
    out = str(tmp_path / "learned.json")
    for words in (
        ("check", TAIL, secret), ("learn", TAIL, secret, "--output", out),
        ("review", TAIL, secret), ("plan", TAIL, asked, "--job", JOB, "--coefficients", out),
        ("order", TAIL, secret, "--job", JOB), ("plan", TAIL, secret, "--job", "none"),
        ("logbook", "sets", asked), ("logbook", "publish", secret, "x", "--rotor", TAIL),
        ("logbook", "recompute", secret, "x"), ("logbook", "changes", secret),
        ("check", TAIL, secret.replace("fleet", "nothere")), ("check", TAIL, "x", secret),
    ):  # fmt: skip
        for form in ((), ("--json",)):
            main([*words, *form])
            said = capsys.readouterr()
            assert "seCRet" not in said.out + said.err, words
    assert "seCRet" not in Path(out).read_text()
    with open_logbook(secret).reading() as connection:
        made = set_of(open_logbook(secret), connection, "x")
        kept = content_of(open_logbook(secret), connection, made).decode()
    assert "hangar:***@" in kept
    assert "seCRet" not in kept + str(made)
    for table in adapt.read_log(secret).tables.values():
        assert "seCRet" not in table.file


def test_answers_come_from_the_state_that_is_asked_for(grown: str) -> None:
    assert answering.is_logbook(grown)
    then, now = (adapt.read_log(grown, known_on=when).tables["runs"] for when in ("change 2", None))
    assert len(then) < len(now)
