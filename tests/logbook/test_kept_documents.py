"""Rotor files and charts in a logbook: read before they are kept, given back byte for byte."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from books import DEMO, fresh

import adapt
from adapt.database.opening import Logbook
from adapt.database.states import latest
from adapt.logbook.documents import (
    CHART,
    COLUMN_MAP,
    ROTOR_FILE,
    Document,
    document_of,
    documents_of,
    keep_chart,
    keep_column_map,
    keep_rotor_file,
    latest_chart,
    latest_document,
    latest_rotor_file,
)
from adapt.problems import BadInput

MAIN = DEMO / "main-rotor.toml"


def listed(book: Logbook) -> list[Document]:
    with book.reading() as connection:
        return documents_of(connection, latest(connection))


def test_a_rotor_file_comes_back_byte_for_byte_under_its_design(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    text = "\ufeff" + MAIN.read_text().replace("\n", "\r\n") + "# Größe\r\n"
    file = tmp_path / "own name.toml"
    file.write_bytes(text.encode())
    kept = keep_rotor_file(book, file, "tester")
    assert kept.added
    assert (kept.document.label, kept.document.file) == ("main rotor", "own name.toml")
    with book.reading() as connection:
        document, content = document_of(book, connection, kept.document.number)
        rotor, _ = latest_rotor_file(book, connection, latest(connection), " Main  ROTOR")
    assert content == file.read_bytes()
    assert (document.size, document.who) == (len(content), "tester")
    assert rotor.sensors == adapt.read_rotor(MAIN).sensors


def test_the_same_bytes_again_add_nothing_and_others_become_the_latest(
    place: str, tmp_path: Path
) -> None:
    book = fresh(place)
    first = keep_rotor_file(book, MAIN, "tester").document
    again = keep_rotor_file(book, MAIN, "tester")
    assert (again.added, again.document) == (False, first)
    with book.reading() as connection:
        assert latest(connection) == 1
    changed = tmp_path / "main-rotor.toml"
    changed.write_bytes(MAIN.read_bytes() + b"# second\n")
    second = keep_rotor_file(book, changed, "tester").document
    back = keep_rotor_file(book, MAIN, "tester")
    assert back.added
    assert [d.digest for d in listed(book)] == [first.digest, second.digest, first.digest]
    with book.reading() as connection:
        for change, digest in ((1, first.digest), (2, second.digest), (3, first.digest)):
            found = latest_document(book, connection, change, ROTOR_FILE, "main rotor")
            assert found is not None
            assert found[0].digest == digest
        assert latest_document(book, connection, 0, ROTOR_FILE, "main rotor") is None


def test_what_its_reader_refuses_is_not_kept(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    broken = tmp_path / "broken.toml"
    broken.write_text("[rotor]\nname = 'x'\nblades = 4\n")
    with pytest.raises(BadInput, match=r"rpm.*(\n.*)*blades"):
        keep_rotor_file(book, broken, "tester")
    with pytest.raises(BadInput, match="no readable file"):
        keep_rotor_file(book, tmp_path / "none.toml", "tester")
    keep_rotor_file(book, MAIN, "tester")
    with pytest.raises(BadInput, match="expected a sensor of the rotor file"):
        keep_chart(book, DEMO / "tail-chart.csv", "main rotor", "tester")
    assert [d.kind for d in listed(book)] == [ROTOR_FILE]


def test_a_chart_belongs_to_a_design_whose_rotor_file_is_kept(place: str) -> None:
    book = fresh(place)
    with pytest.raises(BadInput, match=r"adapt logbook keep.*--rotor"):
        keep_chart(book, DEMO / "chart.csv", "main rotor", "tester")
    keep_rotor_file(book, MAIN, "tester")
    with pytest.raises(BadInput, match="did you mean 'main rotor'"):
        keep_chart(book, DEMO / "chart.csv", "main rotr", "tester")
    kept = keep_chart(book, DEMO / "chart.csv", "Main rotor", "tester").document
    assert (kept.kind, kept.label, kept.file) == (CHART, "main rotor", "chart.csv")
    rotor = adapt.read_rotor(MAIN)
    with book.reading() as connection:
        found = latest_chart(book, connection, latest(connection), rotor)
    assert found is not None
    own = adapt.read_chart(DEMO / "chart.csv", rotor)
    assert np.array_equal(found[0].mean, own.mean, equal_nan=True)
    assert found[0].source == "chart.csv"


def test_a_chart_in_a_workbook_is_kept_as_one(place: str, tmp_path: Path) -> None:
    import pandas as pd

    pytest.importorskip("openpyxl")
    book = fresh(place)
    keep_rotor_file(book, MAIN, "tester")
    file = tmp_path / "chart.XLSX"
    pd.read_csv(DEMO / "chart.csv").to_excel(file.with_suffix(".xlsx"), index=False)
    file.with_suffix(".xlsx").rename(file)
    kept = keep_chart(book, file, "main rotor", "tester").document
    with book.reading() as connection:
        assert document_of(book, connection, kept.number)[1] == file.read_bytes()


def test_a_column_map_is_kept_under_its_own_name(place: str, tmp_path: Path) -> None:
    book = fresh(place)
    file = tmp_path / "any.toml"
    text = '[map]\nname = "one row a regime"\n[[moves]]\njob = "Order"\nafter_run = "Run"\n'
    file.write_bytes((text + 'blade = "Blade"\nadjuster = "What"\namount = "Size"\n').encode())
    kept = keep_column_map(book, file, "tester").document
    assert (kept.kind, kept.label, kept.file) == (COLUMN_MAP, "one row a regime", "any.toml")
    with book.reading() as connection:
        found = latest_document(book, connection, 1, COLUMN_MAP, "one row a regime")
    assert found is not None
    assert found[1] == file.read_bytes()
    file.write_text("[map]\n")
    with pytest.raises(BadInput, match="name"):
        keep_column_map(book, file, "tester")


def test_damage_to_what_was_kept_is_told(place: str) -> None:
    book = fresh(place)
    kept = keep_rotor_file(book, MAIN, "tester").document
    with book.engine.begin() as connection:
        if book.on_file:
            connection.execute(sa.text("DROP TRIGGER documents_no_update"))
        else:
            connection.execute(sa.text("DROP TRIGGER documents_append_only ON documents"))
        query = sa.text("UPDATE documents SET content = :content")
        connection.execute(query, {"content": MAIN.read_bytes()[:-1]})
    with book.reading() as connection, pytest.raises(BadInput, match="damaged"):
        document_of(book, connection, kept.number)
