"""Pages that wait for work, asked for until they are there; a slip on a tail rotor."""

from __future__ import annotations

import time

from flask.testing import FlaskClient

from adapt.logbook.entering import EnteredRow, enter
from adapt.pages.application import Shop

LONGEST_S = 300.0


def waited(client: FlaskClient, path: str, **query: str) -> str:
    """Return a page once the work that it waits for is done."""
    until = time.monotonic() + LONGEST_S
    while True:
        answer = client.get(path, query_string=query or None)
        page = answer.get_data(as_text=True)
        if answer.status_code != 202 and "data-waiting" not in page:
            assert answer.status_code == 200, page
            return page
        assert time.monotonic() < until
        time.sleep(0.2)


def slip(shop: Shop) -> None:
    """Enter the largest move of the demo's tail rotors with the wrong sign."""
    key = {"job": "J-037", "after_run": "1", "blade": "1", "adjuster": "span weight"}
    row = EnteredRow("moves", key, {"amount": "18"}, {"amount": "-18"})
    made = enter(
        shop.fleet.to_write(), [row], "tester", "slip",
        rotors=list(shop.fleet.state().rotors().values()),
    )  # fmt: skip
    assert made.change is not None
