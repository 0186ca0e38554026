"""Pages over the demo's logbook: asked directly, and through a browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from books import DEMO, demo_rotors, fresh, imported, to_write
from flask import Flask
from flask.testing import FlaskClient

from adapt.logbook.documents import keep_chart, keep_rotor_file
from adapt.pages.application import Shop, make_app
from adapt.pages.fleet import Fleet
from adapt.pages.work import Works


@pytest.fixture(scope="session")
def demo_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with the demo's log, rotor files and chart."""
    place = tmp_path_factory.mktemp("pages") / "fleet.logbook"
    book = fresh(str(place))
    for name in ("main", "tail"):
        keep_rotor_file(book, DEMO / f"{name}-rotor.toml", "tester")
    keep_chart(book, DEMO / "chart.csv", "main rotor", "tester")
    keep_chart(book, DEMO / "tail-chart.csv", "tail rotor", "tester")
    taken = imported(to_write(str(place)), DEMO / "log", rotors=demo_rotors(), with_faults=True)
    assert taken.change is not None
    return place


@pytest.fixture
def place(demo_book: Path, tmp_path: Path) -> Path:
    """A copy of the demo's logbook that a test may write into."""
    return Path(shutil.copy(demo_book, tmp_path / "fleet.logbook"))


@pytest.fixture(scope="session")
def works() -> Iterator[Works]:
    """The processes that work, the same for all tests: they take long to start."""
    made = Works()
    yield made
    made.close()


@pytest.fixture(scope="session")
def reading_shop(demo_book: Path, works: Works) -> Shop:
    """Over the demo's logbook itself, for who only reads: what one learned serves the next."""
    return Shop(Fleet(str(demo_book)), "tester", works)


@pytest.fixture(scope="session")
def reader(reading_shop: Shop) -> FlaskClient:
    return make_app(reading_shop, ("127.0.0.1", "localhost")).test_client()


@pytest.fixture
def shop(place: Path, works: Works) -> Shop:
    return Shop(Fleet(str(place)), "tester", works)


@pytest.fixture
def app(shop: Shop) -> Flask:
    return make_app(shop, ("127.0.0.1", "localhost"))


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless Chromium; of one module alone, as its event loop is in the way of other tests."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    from browsing import ARGUMENTS, chromium_or_none

    program = chromium_or_none()
    if program is None:
        pytest.skip("Chromium is not installed (Debian: apt-get install chromium)")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        yield started
        started.close()


@pytest.fixture(scope="session")
def served(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """`adapt pages` as a process of its own, over a copy of the demo's logbook.

    Tests that write keep to jobs of their own.
    """
    from browsing import Served

    place = tmp_path_factory.mktemp("served") / "fleet.logbook"
    shutil.copy(demo_book, place)
    running = Served(place)
    yield running
    assert running.stop() == 0


@pytest.fixture
def person(browser: Any, served: Any) -> Iterator[Any]:
    """Somebody at a browser, in whose console nothing may go wrong."""
    from browsing import Person

    somebody = Person(browser, served)
    yield somebody
    somebody.context.close()
    assert somebody.complaints == []
