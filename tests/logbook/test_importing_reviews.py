"""Reviews come in from several hangars, each of which counts 1, 2, 3."""

from __future__ import annotations

from pathlib import Path

import pytest
from books import DEMO, ONE_JOB, Rows, demo_rotors, fresh, imported, written

import adapt
from adapt.logbook.importing.renumbering import Renumbered
from adapt.logbook.record import take_out

REVIEW = ("review", "job", "table", "after_run", "run", "decision", "by", "decided")
CORRECTION = (
    "review", "table", "job", "run", "sensor", "regime", "entered", "entered_clock", "corrected",
    "corrected_clock",
)  # fmt: skip


def hangar(job: str, rotor: str, by: str, right: str, number: str = "1", run: str = "2") -> Rows:
    """A job in which one reading was reviewed, as review `number` of its hangar."""

    def renamed(name: str) -> list[list[str]]:
        names = {"J-1": job, "MR-9": rotor}
        return [[names.get(cell, cell) for cell in line] for line in ONE_JOB[name]]

    decided = "2026-03-04T09:00:00"
    entered = {"1": ("0.30", "4:20"), "2": ("0.10", "10:15")}[run]
    return {
        **{name: renamed(name) for name in ONE_JOB},
        "reviews": [REVIEW, (number, job, "readings", "1", run, "accept", by, decided)],
        "corrections": [
            CORRECTION,
            (number, "readings", job, run, "cabin lateral", "hover", *entered, right, "10:15"),
        ],
    }


def corrected(place: str) -> dict[str, float]:
    """The amplitudes that are used in place of what was entered, by job."""
    rotor = adapt.read_rotor(DEMO / "main-rotor.toml")
    found = adapt.check(rotor, adapt.read_log(place))
    assert not found.faults
    rows = found.corrections
    return {j: round(abs(v), 6) for j, v in zip(rows["job"], rows["corrected"], strict=True)}


def test_a_number_that_another_hangar_gave_too_becomes_one_of_its_own(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    one = written(tmp_path / "one", hangar("J-1", "MR-9", "A. Reed", "0.12"))
    two = written(tmp_path / "two", hangar("K-1", "MR-8", "B. Vale", "0.13"))
    imported(book, one, rotors=demo_rotors())
    found = imported(book, two, rotors=demo_rotors())
    assert (found.refused, found.tables["reviews"].new, found.tables["corrections"].new) == (
        "", 1, 1,
    )  # fmt: skip
    assert found.renumbered == (Renumbered("K-1", "1", "2"),)
    assert corrected(place) == {"J-1": 0.12, "K-1": 0.13}


@pytest.mark.parametrize("correct", [False, True])
def test_a_renumbered_review_that_comes_again_adds_nothing(
    place: str, tmp_path: Path, correct: bool
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "one", hangar("J-1", "MR-9", "A. Reed", "0.12")))
    two = written(tmp_path / "two", hangar("K-1", "MR-8", "B. Vale", "0.13"))
    imported(book, two)
    again = imported(book, two, correct=correct)
    assert (again.new, again.refused) == (0, "")
    assert (again.tables["reviews"].there, again.tables["corrections"].there) == (1, 1)


def test_another_word_on_the_same_entry_is_a_conflict_still(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "one", hangar("J-1", "MR-9", "A. Reed", "0.12")))
    other = written(tmp_path / "two", hangar("J-1", "MR-9", "A. Reed", "0.13"))
    found = imported(book, other)
    assert (found.change, found.conflict_count, found.renumbered) == (None, 1, ())


def test_a_new_number_is_none_that_the_source_or_the_logbook_ever_used(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "one", hangar("J-1", "MR-9", "A. Reed", "0.12", "3")))
    take_out(book, "corrections", [1], "tester", "gone")
    take_out(book, "reviews", [1], "tester", "gone")
    two = hangar("K-1", "MR-8", "B. Vale", "0.13", "3")
    more = hangar("K-1", "MR-8", "B. Vale", "0.33", "7", run="1")
    rows = {**two, **{n: [*two[n], more[n][1]] for n in ("reviews", "corrections")}}
    found = imported(book, written(tmp_path / "two", rows))
    assert found.refused == ""
    assert found.renumbered == (Renumbered("K-1", "3", "8"),)


def test_numbers_nobody_else_gave_stay_as_they_are(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    imported(book, written(tmp_path / "one", hangar("J-1", "MR-9", "A. Reed", "0.12")))
    found = imported(book, written(tmp_path / "two", hangar("K-1", "MR-8", "B. Vale", "0.13", "5")))
    assert found.renumbered == ()
    assert corrected(place) == {"J-1": 0.12, "K-1": 0.13}
