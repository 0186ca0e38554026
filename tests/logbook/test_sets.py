"""Published sets: what made them is kept, their bytes never change, learning again agrees."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa
from books import DEMO, copied, fresh, imported, to_write, with_demo

import adapt
from adapt.coefficients import coefficients_content, read_coefficients
from adapt.database.opening import Logbook
from adapt.database.states import latest
from adapt.database.writing import writing
from adapt.logbook import recomputing
from adapt.logbook.documents import documents_of, keep_chart, keep_rotor_file
from adapt.logbook.publishing import publish
from adapt.logbook.recomputing import recompute
from adapt.logbook.sets import (
    PublishedSet,
    coefficients_of,
    content_of,
    require_in_use,
    set_of,
    sets_of,
    withdraw,
)
from adapt.problems import BadInput, CannotBeMet

TAIL = DEMO / "tail-rotor.toml"
TAIL_CHART = DEMO / "tail-chart.csv"


@pytest.fixture
def book(place: str) -> Logbook:
    """The demo's log in a logbook."""
    return to_write(with_demo(place))


@pytest.fixture
def with_set(place: str) -> Logbook:
    """The demo's log in a logbook, and the set 'spring' that was published from it."""
    return to_write(copied(place, publish_spring))


def publish_spring(place: str) -> None:
    published(to_write(with_demo(place)))


def published(book: Logbook, label: str = "spring", **options: object) -> PublishedSet:
    given = {"rotor": TAIL, "chart": TAIL_CHART, **options}
    return publish(book, label, "tester", **given)  # type: ignore[arg-type]


def spring(book: Logbook) -> PublishedSet:
    with book.reading() as connection:
        return set_of(book, connection, "spring")


def content(book: Logbook, label: str = "spring") -> bytes:
    with book.reading() as connection:
        return content_of(book, connection, set_of(book, connection, label))


@pytest.mark.parametrize("place", ["sqlite"], indirect=True)  # on a server: test_plans.py
def test_the_main_rotor_of_the_demo_learned_again_agrees_in_every_number(book: Logbook) -> None:
    made = publish(
        book, "2026-11", "tester", rotor=DEMO / "main-rotor.toml", chart=DEMO / "chart.csv"
    )
    found = recompute(book, "2026-11")
    assert found.compared.agrees
    assert found.compared.largest <= 1e-9
    assert found.compared.numbers > 10_000
    assert found.programs == ()
    assert made.known == 1


def test_a_set_keeps_all_that_made_it(book: Logbook, tmp_path: Path) -> None:
    made = published(book, note="for the winter", robust=True)
    assert (made.design, made.known, made.change) == ("tail rotor", 1, 2)
    assert (made.who, made.note, made.withdrawn) == ("tester", "for the winter", None)
    assert (made.rotor_file, made.chart_file) == ("tail-rotor.toml", "tail-chart.csv")
    assert made.settings == {"robust": True}
    assert made.programs["adapt"] == adapt.__version__
    assert {"numpy", "scipy", "numba", "pandas", "python", "machine"} <= set(made.programs)
    rotor = adapt.read_rotor(TAIL)
    learned = adapt.learn(rotor, DEMO / "log", adapt.read_chart(TAIL_CHART, rotor), robust=True)
    with book.reading() as connection:
        assert set_of(book, connection, "spring") == made
        stored = coefficients_of(book, connection, made, rotor)
    assert stored.taught == learned.taught
    assert [r["real"] for r in vibration(coefficients_content(stored))] == [
        r["real"] for r in vibration(coefficients_content(learned))
    ]
    file = tmp_path / "given.json"
    file.write_bytes(content(book))
    assert coefficients_content(read_coefficients(file, rotor)) == content(book)


def vibration(document: bytes) -> list[dict[str, float]]:
    found: list[dict[str, float]] = json.loads(document)["vibration"]
    return found


def test_the_bytes_stay_whatever_others_add(with_set: Logbook, tmp_path: Path) -> None:
    made = spring(with_set)
    before = content(with_set)
    for table in ("runs", "readings", "moves"):
        header, *lines = (DEMO / "log" / f"{table}.csv").read_text().splitlines()
        own = [line.replace("J-002", "J-902") for line in lines if "J-002" in line]
        (tmp_path / f"{table}.csv").write_text("\n".join([header, *own, ""]))
    assert imported(with_set, tmp_path).change == 3
    again = published(with_set, "summer")
    assert content(with_set) == before
    assert again.known == 3
    assert (
        json.loads(content(with_set, "summer"))["state"]["taught"]
        != json.loads(before)["state"]["taught"]
    )
    for label in ("spring", "summer"):
        assert recompute(with_set, label).compared.agrees
    with with_set.reading() as connection:
        assert set_of(with_set, connection, "spring") == made
        assert [s.label for s in sets_of(connection)] == ["spring", "summer"]
        assert [s.label for s in sets_of(connection, 3)] == ["spring"]
        # The same rotor file and chart are kept once.
        assert len(documents_of(connection, latest(connection))) == 2


@pytest.mark.parametrize("meanwhile", ["log_at", "learn"])
def test_neither_reading_nor_learning_keeps_others_from_writing(
    place: str, book: Logbook, monkeypatch: pytest.MonkeyPatch, meanwhile: str
) -> None:
    from adapt.logbook import publishing

    own = getattr(publishing, meanwhile)

    def with_others(*words: object, **options: object) -> object:
        found = own(*words, **options)
        with writing(to_write(place), "somebody", "note"):
            pass
        return found

    monkeypatch.setattr(publishing, meanwhile, with_others)
    made = published(book)
    assert (made.known, made.change) == (1, 3)


def test_of_two_who_publish_under_one_name_the_second_is_refused(
    place: str, book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    from adapt.logbook import publishing

    learn = publishing.learn

    def meanwhile(*words: object, **options: object) -> object:
        monkeypatch.setattr(publishing, "learn", learn)
        published(to_write(place))
        return learn(*words, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(publishing, "learn", meanwhile)
    with pytest.raises(CannotBeMet, match="a set 'spring' already"):
        published(book, "Spring")
    with book.reading() as connection:
        assert [(s.label, s.known, s.change) for s in sets_of(connection)] == [("spring", 1, 2)]
        assert latest(connection) == 2


def test_the_rotor_file_and_the_chart_that_are_kept_serve(book: Logbook) -> None:
    keep_rotor_file(book, TAIL, "tester")
    without = publish(book, "bare", "tester", design="tail rotor")
    assert without.chart is None
    keep_chart(book, TAIL_CHART, "tail rotor", "tester")
    with_it = publish(book, "charted", "tester", design="Tail rotor")
    assert with_it.chart_file == "tail-chart.csv"
    bare = publish(book, "bare again", "tester", design="tail rotor", with_chart=False)
    assert bare.chart is None
    with book.reading() as connection:
        assert len(documents_of(connection, latest(connection))) == 2
    with pytest.raises(BadInput, match="main rotor"):
        publish(book, "other", "tester", design="main rotor")


def test_a_label_that_nobody_can_type_is_refused(book: Logbook) -> None:
    for label in ("", "  ", " x", "a\nb", "\x1b[2J", "n" * 101):
        with pytest.raises(BadInput, match="name: found"):
            published(book, label)
    with book.reading() as connection:
        assert sets_of(connection) == []


def test_a_label_is_taken_once_whatever_becomes_of_the_set(with_set: Logbook) -> None:
    withdraw(with_set, "spring", "tester", "wrong chart")
    for label in ("spring", "SPRING"):
        with pytest.raises(CannotBeMet, match="already: what was published never changes"):
            published(with_set, label)


def test_a_set_that_is_withdrawn_says_why_and_keeps_its_bytes(with_set: Logbook) -> None:
    made = spring(with_set)
    before = content(with_set)
    with pytest.raises(BadInput, match="why"):
        withdraw(with_set, "spring", "tester", " ")
    with pytest.raises(BadInput, match="did you mean 'spring'"):
        withdraw(with_set, "sprng", "tester", "wrong chart")
    gone = withdraw(with_set, "spring", "A. Reed", "wrong chart")
    assert gone.withdrawn is not None
    assert (gone.withdrawn.why, gone.withdrawn.who, gone.withdrawn.change) == (
        "wrong chart", "A. Reed", 3,
    )  # fmt: skip
    assert content(with_set) == before
    with pytest.raises(CannotBeMet, match=r"withdrawn by A. Reed on 20.*wrong chart"):
        require_in_use(gone)
    with pytest.raises(CannotBeMet, match="withdrawn"):
        withdraw(with_set, "spring", "tester", "again")
    with with_set.reading() as connection:
        assert set_of(with_set, connection, "spring", 2) == made
    assert recompute(with_set, "spring").compared.agrees


def test_the_database_refuses_to_change_a_set_and_its_withdrawal(with_set: Logbook) -> None:
    withdraw(with_set, "spring", "tester", "wrong chart")
    for query in (
        "UPDATE sets SET content = content", "DELETE FROM sets",
        "UPDATE withdrawals SET why = 'no'", "DELETE FROM withdrawals",
    ):  # fmt: skip
        with (
            with_set.engine.connect() as connection,
            pytest.raises(sa.exc.DBAPIError, match="append only"),
        ):
            connection.execute(sa.text(query))


def tampered(book: Logbook, change: Callable[[bytes], bytes], with_digest: bool = False) -> None:
    """Change the bytes of a set behind the program's back."""
    from adapt.database.sealing import digest_of_content

    bytes_ = change(content(book))
    with book.engine.begin() as connection:
        if book.on_file:
            connection.execute(sa.text("DROP TRIGGER sets_no_update"))
        else:
            connection.execute(sa.text("DROP TRIGGER sets_append_only ON sets"))
        connection.execute(sa.text("UPDATE sets SET content = :b"), {"b": bytes_})
        if with_digest:
            connection.execute(sa.text("UPDATE sets SET digest = :d"),
                               {"d": digest_of_content(bytes_)})  # fmt: skip


def test_damage_to_a_set_is_told(with_set: Logbook) -> None:
    tampered(with_set, lambda b: b[:-2] + b"\n")
    for use in (lambda: content(with_set), lambda: recompute(with_set, "spring")):
        with pytest.raises(BadInput, match="damaged: its bytes are not those"):
            use()


def test_numbers_that_differ_are_named(with_set: Logbook) -> None:

    def turned(stored: bytes) -> bytes:
        document = json.loads(stored)
        for part in document["state"]["rotors"]["TR-301"]["mean"]["parts"]:
            part[0] *= 1 + 3e-9
        document["state"]["noise"]["run_var"]["parts"][0][1] *= 1 + 5e-10
        document["state"]["taught"].pop()
        return (json.dumps(document) + "\n").encode()

    tampered(with_set, turned, with_digest=True)
    found = recompute(with_set, "spring").compared
    assert not found.agrees
    assert found.differing_count == 1
    (only,) = found.differing
    assert only.where.startswith("TR-301, mean, ")
    assert "chord weight" in only.where or "span weight" in only.where
    assert 1e-10 < only.relative <= 3.01e-9
    assert found.largest == only.relative
    assert len(found.other) == 1
    assert found.other[0].startswith("pairs that taught, only now: J-")


def test_another_version_since_is_told(with_set: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    made = spring(with_set)
    monkeypatch.setattr(
        "adapt.logbook.programs.programs_now", lambda: {**made.programs, "numpy": "99.0"}
    )
    assert recomputing.recompute(with_set, "spring").programs == (
        ("numpy", made.programs["numpy"], "99.0"),
    )


def test_nothing_to_learn_publishes_nothing(place: str) -> None:
    book = fresh(place)
    with pytest.raises(BadInput, match="holds no runs"):
        published(book)
    with pytest.raises(BadInput, match="expected one of them"):
        published(book, design="tail rotor")
    with book.reading() as connection:
        assert sets_of(connection) == []
        assert latest(connection) == 0
