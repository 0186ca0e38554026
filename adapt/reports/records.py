"""Tables as rows, with None for what is missing, so that names compare as names."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

__all__ = ["Record", "records"]

Record = Mapping[str, Any]


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows by column name.

    >>> records(pd.DataFrame({"sensor": ["a", None], "rms": [0.5, float("nan")]}))
    [{'sensor': 'a', 'rms': 0.5}, {'sensor': None, 'rms': None}]
    """
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(key): value for key, value in row.items()} for row in rows]
