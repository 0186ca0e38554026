"""Asking pages and reading what they say."""

from __future__ import annotations

import re
from html import unescape

OWN = {"Sec-Fetch-Site": "same-origin"}
"""What a browser says of a request that a page of this program makes."""


def said(page: str) -> str:
    """Return the text of a page, with single blanks."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())
