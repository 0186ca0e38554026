"""Asking pages and reading what they say."""

from __future__ import annotations

import re
import time
from html import unescape

from flask.testing import FlaskClient

OWN = {"Sec-Fetch-Site": "same-origin"}
"""What a browser says of a request that a page of this program makes."""


def page_of(client: FlaskClient, path: str) -> str:
    """Return a page once what it waits for is done."""
    for _ in range(240):
        text = client.get(path).get_data(as_text=True)
        if "data-waiting" not in text:
            return text
        time.sleep(0.5)
    raise AssertionError(f"{path} waits for ever")


def said(page: str) -> str:
    """Return the text of a page, with single blanks."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())
