"""`adapt logbook verify, backup, restore, upgrade`: what they print, and how they end."""

from __future__ import annotations

import json
import random
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from books import DEMO, ONE_JOB, copied, fresh, imported, with_demo, written

from adapt.cli import main


def said(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main([str(word) for word in words])
    printed = capsys.readouterr()
    return status, " ".join(printed.out.split()), " ".join(printed.err.split())


def document(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, dict[str, Any]]:
    status, out, _ = said(capsys, *words, "--json")
    return status, json.loads(out)


@pytest.fixture
def book(place: str) -> str:
    return copied(place, fill)


def fill(place: str) -> None:
    made = fresh(place)
    with tempfile.TemporaryDirectory() as folder:
        assert imported(made, written(Path(folder), ONE_JOB)).change == 1
    assert imported(made, DEMO / "log", with_faults=True).change == 2


def test_a_whole_logbook_ends_with_0_and_prints_its_seal(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = said(capsys, "logbook", "verify", book)
    assert status == 0
    assert "Whole: 2 changes, 7,8" in out
    assert "Looking through" in err
    status, found = document(capsys, "logbook", "verify", book)
    assert status == 0
    assert found["whole"] is True
    assert found["damages"] == []
    assert found["digest"] in out


def amplitude_in(content: bytes) -> int:
    """Return where an amplitude of a reading stands: beside its clock angle."""
    found = re.search(rb"0\.[0-9]{2,3}[0-9]{1,2}:[0-9]{2}", content)
    assert found is not None
    return found.start()


def test_a_damaged_logbook_ends_with_2_and_says_what_is_whole_and_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "fleet.logbook"
    copied(str(place), fill)
    content = place.read_bytes()
    at = amplitude_in(content)
    place.write_bytes(content[: at + 2] + b"7" + content[at + 3 :])
    status, out, _ = said(capsys, "logbook", "verify", place)
    assert status == 2
    assert "DAMAGED" in out
    assert "change 2, readings: of its" in out
    assert "up to change 1 all are" in out
    assert "adapt logbook restore BACKUP" in out
    assert "--as-known-on 'change 1'" in out
    status, found = document(capsys, "logbook", "verify", place)
    assert status == 2
    assert (2, "readings") in {(d["change"], d["table"]) for d in found["damages"]}
    # What it advises works.
    folder = tmp_path / "before"
    assert said(capsys, "logbook", "export", place, folder, "--as-known-on", "change 1")[0] == 0
    assert len((folder / "runs.csv").read_text().splitlines()) == 3


def test_a_logbook_that_can_hardly_be_opened_is_looked_through_all_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "fleet.logbook"
    with_demo(str(place))
    content = place.read_bytes()
    draw = random.Random(8)
    for cut in (5_000, 100_000, len(content) - 4096):
        place.write_bytes(content[:cut])
        assert said(capsys, "logbook", "verify", place)[0] == 2
    hurt = 0
    used = [i for i in range(100, 200_000) if content[i]]
    for _ in range(25):
        turned = bytearray(content)
        at = draw.choice(used)
        turned[at : at + 300] = draw.randbytes(300)
        place.write_bytes(turned)
        status, out, _ = said(capsys, "logbook", "verify", place)
        assert ("DAMAGED" in out) == (status == 2)
        hurt += status == 2
    assert hurt == 25


def test_there_and_back(
    book: str,
    tmp_path: Path,
    second_place: Callable[[], str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = tmp_path / "spring.logbook"
    status, out, err = said(capsys, "logbook", "backup", book, file)
    assert status == 0
    assert "holds 2 changes" in out
    assert "Copying" in err
    status, _, err = said(capsys, "logbook", "backup", book, file)
    assert status == 2
    assert "--over" in err
    status, made = document(capsys, "logbook", "backup", book, file, "--over")
    assert status == 0
    here = second_place()
    status, back = document(capsys, "logbook", "restore", file, here)
    assert status == 0
    assert back["digest"] == made["digest"]
    status, out, _ = said(capsys, "logbook", "restore", file, second_place())
    assert status == 0
    assert "import it again" in out
    status, _, err = said(capsys, "logbook", "restore", file, here)
    assert status == 2
    assert "nothing was changed" in err


def test_an_upgrade_says_what_it_did(book: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "logbook", "upgrade", book)
    assert status == 0
    assert "Nothing to do" in out
    status, found = document(capsys, "logbook", "upgrade", book)
    assert found["from"] == found["to"]


@pytest.mark.parametrize("verb", ["verify", "upgrade"])
def test_what_is_not_there_is_told(
    tmp_path: Path, verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = said(capsys, "logbook", verb, tmp_path / "no.logbook")
    assert (status, out) == (2, "")
    assert "there is no logbook" in err
