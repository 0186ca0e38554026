"""Decisions about suspect entries through a logbook: as through a folder, and never lost."""

from __future__ import annotations

import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from books import DEMO, copied, fresh, imported, numbered, part_of_demo, to_write

import adapt
from adapt.coefficients import Coefficients
from adapt.coefficients.differing import compare_numbers
from adapt.database.writing import writing
from adapt.log import History, deciding
from adapt.log.deciding import Decision
from adapt.log.reviewing import record, take_back
from adapt.logbook.jobs import set_status
from adapt.logbook.record import changes_of
from adapt.problems import BadInput, CannotBeMet

sys.path.insert(0, str(Path(__file__).parents[1] / "log"))

from written import ROTOR, move, read, suspect, written

NOW = datetime(2026, 4, 1, 10, 0, tzinfo=UTC)
FRAMES = ("runs", "readings", "moves", "reviews", "corrections")


@pytest.fixture
def both(place: str, tmp_path: Path) -> tuple[Path, str]:
    """A small log in a folder, and in a logbook."""
    return written(tmp_path), copied(place, fill)


def fill(place: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        assert imported(fresh(place), written(Path(folder)), rotors=[ROTOR]).change == 1


def history(log: Path | str) -> History:
    return adapt.check(ROTOR, adapt.read_log(log))


def accepted(log: Path | str) -> Decision:
    told = suspect("2", move("A", "hub weight", -40.0))
    return deciding.accept(ROTOR, adapt.read_log(log), history(log), told, 1)


def excluded(log: Path | str) -> Decision:
    told = suspect("2", read("lateral", 0.1j))
    return deciding.exclude(ROTOR, adapt.read_log(log), history(log), told, 1)


def recorded(log: Path | str, decision: Decision, by: str = "N. N.") -> str:
    return record(ROTOR, log, history(log), decision, NOW, by=by, note="task card 12")[0]


def same(one: History, other: History) -> None:
    for name in FRAMES:
        a, b = (getattr(h, name).drop(columns=["row"], errors="ignore") for h in (one, other))
        assert a.equals(b), name
    assert (one.kept, one.left_out, one.set_aside) == (other.kept, other.left_out, other.set_aside)
    assert one.faults == other.faults == ()


def test_decisions_say_in_a_logbook_what_they_say_in_a_folder(both: tuple[Path, str]) -> None:
    folder, place = both
    steps = [accepted, excluded, lambda _: deciding.keep(suspect("3", after_run="2"))]
    for number, decide in enumerate(steps, start=1):
        assert recorded(folder, decide(folder)) == str(number)
        assert recorded(place, decide(place)) == str(number)
        same(history(folder), history(place))
    for job, run in (("J1", "2"), ("J1", "3"), ("J1", "2")):
        taken = take_back(folder, job, run)
        kept = take_back(place, job, run, by="N. N.")
        assert {k: v for k, v in kept.items() if v} == {k: v for k, v in taken.items() if v}
        same(history(folder), history(place))
    with pytest.raises(CannotBeMet, match="nothing was decided on run 2 of J1"):
        take_back(place, "J1", "2", by="N. N.")


def test_what_is_taken_back_is_known_as_it_was_and_its_number_is_not_given_again(
    both: tuple[Path, str],
) -> None:
    _, place = both
    recorded(place, accepted(place))
    take_back(place, "J1", "2", by="R. R.")
    assert recorded(place, accepted(place)) == "2"
    then = adapt.check(ROTOR, adapt.read_log(place, known_on="change 2"))
    between = adapt.check(ROTOR, adapt.read_log(place, known_on="change 3"))
    assert list(then.reviews["review"]) == ["1"]
    assert list(then.corrections["review"]) == ["1"]
    assert len(between.reviews) == len(between.corrections) == 0
    assert list(history(place).reviews["review"]) == ["2"]
    with to_write(place).reading() as connection:
        lines = [(c.who, c.what, dict(c.rows)) for c in changes_of(connection)[1:]]
    counts = [{t: n for t, n in rows.items() if t in FRAMES} for _, _, rows in lines]
    assert counts == [{"reviews": 1, "corrections": 1}] * 3
    assert [who for who, _, _ in lines] == ["N. N.", "R. R.", "N. N."]


def test_a_decision_that_others_overtook_is_refused_and_nothing_is_written(
    both: tuple[Path, str],
) -> None:
    _, place = both
    before = history(place)
    decision = accepted(place)
    recorded(place, deciding.keep(suspect("2")), by="S. S.")
    with pytest.raises(CannotBeMet, match=r"review 1 on J1 was made meanwhile by S. S.: look"):
        record(ROTOR, place, before, decision, NOW, by="N. N.")
    after = history(place)
    take_back(place, "J1", "2", by="S. S.")
    with pytest.raises(CannotBeMet, match="taken back meanwhile"):
        record(ROTOR, place, after, decision, NOW, by="N. N.")
    assert len(history(place).reviews) == 0
    # Another job's decision is nobody's business.
    recorded(place, deciding.keep(suspect("2", job="J2")), by="S. S.")
    assert record(ROTOR, place, before, decision, NOW, by="N. N.")[0] == "3"


def test_a_log_that_was_edited_meanwhile_refuses_a_decision_that_does_not_fit(
    both: tuple[Path, str], tmp_path: Path
) -> None:
    _, place = both
    decision, before = accepted(place), history(place)
    other = tmp_path / "typed again"
    other.mkdir()
    (other / "moves.csv").write_text("job,after_run,blade,adjuster,amount\nJ1,1,A,hub weight,20\n")
    assert imported(to_write(place), other, correct=True).change == 2
    with pytest.raises(CannotBeMet, match="edited meanwhile and does not fit"):
        record(ROTOR, place, before, decision, NOW, by="N. N.")
    with to_write(place).reading() as connection:
        assert len(changes_of(connection)) == 2


def test_somebody_decides(both: tuple[Path, str]) -> None:
    _, place = both
    recorded(place, deciding.keep(suspect("2")))
    with pytest.raises(BadInput, match="expected who decides"):
        recorded(place, deciding.keep(suspect("3", after_run="2")), by=" ")
    with pytest.raises(BadInput, match="expected who takes it back"):
        take_back(place, "J1", "2")
    assert list(history(place).reviews["review"]) == ["1"]


def test_entries_of_a_closed_job_are_reviewed_all_the_same(both: tuple[Path, str]) -> None:
    _, place = both
    set_status(to_write(place), "J1", "closed", "N. N.", closing_run="3", released_by="R. R.")
    assert recorded(place, accepted(place)) == "1"


def test_notes_of_several_lines_become_one(both: tuple[Path, str]) -> None:
    folder, place = both
    for log in both:
        decision = deciding.keep(suspect("2"))
        record(ROTOR, log, history(log), decision, NOW, "N. N.", 'two\nlines, "quoted"; and more')
    same(history(folder), history(place))


SOME = numbered(28, 40) | {"J-053"}  # of main and tail rotors, two wrong entries among them


@pytest.fixture(scope="module")
def in_folder(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a part of the demo says through its folder, before and after a decision."""
    return worked(part_of_demo(tmp_path_factory.mktemp("demo") / "log", SOME), "")


def worked(log: Path | str, by: str) -> dict[str, Any]:
    """Learn from a log, accept what its first suspect may mean, learn again and plan."""
    rotor = adapt.read_rotor(DEMO / "main-rotor.toml")
    chart = adapt.read_chart(DEMO / "chart.csv", rotor)
    before = adapt.read_log(log)
    checked = adapt.check(rotor, before)
    suspects = adapt.learn(rotor, checked, chart).suspects
    at, number = next(
        (s, n)
        for s in suspects
        for n, told in enumerate(s["explanations"], start=1)
        if deciding.why_not(told) is None
    )
    decision = deciding.accept(rotor, before, checked, at, number)
    review, after = record(rotor, log, checked, decision, NOW, by=by)
    learned = adapt.learn(rotor, after, chart)
    plan = adapt.plan(rotor, learned, after, job="J-053")
    return {"suspects": suspects, "decision": decision, "review": review, "after": after,
            "learned": learned, "plan": plan}  # fmt: skip


def test_a_part_of_the_demo_through_a_logbook_has_the_same_suspects_decisions_and_plans(
    place: str, in_folder: dict[str, Any], tmp_path: Path
) -> None:
    folder = part_of_demo(tmp_path / "some", SOME)
    assert imported(fresh(place), folder, with_faults=True).change == 1
    found = worked(place, "N. N.")
    assert found["suspects"] == in_folder["suspects"]
    assert len(found["suspects"]) > 1
    assert found["decision"] == in_folder["decision"]
    assert found["review"] == in_folder["review"] == "1"
    columns = ["review", "job", "table", "after_run", "run", "decision", "kind", "explanation"]
    one, other = (x["after"].reviews[columns] for x in (found, in_folder))
    assert one.equals(other)
    learned: Coefficients = found["learned"]
    assert compare_numbers(in_folder["learned"], learned).agrees
    for name in ("moves", "chance", "lower_bound", "worst_ratio", "proven"):
        assert getattr(found["plan"], name) == getattr(in_folder["plan"], name), name


def test_two_who_decide_at_once_both_come_in_one_after_the_other(both: tuple[Path, str]) -> None:
    import threading

    _, place = both
    before = history(place)
    decisions = [deciding.keep(suspect("2", job=job)) for job in ("J1", "J2")]
    numbers: list[str] = []

    def decide(decision: Decision) -> None:
        numbers.append(record(ROTOR, place, before, decision, NOW, by="N. N.")[0])

    with writing(to_write(place), "somebody", "note"):
        threads = [threading.Thread(target=decide, args=(d,)) for d in decisions]
        for thread in threads:
            thread.start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == ["1", "2"]
    assert len(history(place).reviews) == 2
