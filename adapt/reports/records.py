"""Tables as rows, with None for what is missing so that names compare as names; one reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import pandas as pd

from adapt.reports.wording import own_phase_deg

__all__ = ["Record", "reading_record", "records"]

Record = Mapping[str, Any]


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows by column name.

    >>> records(pd.DataFrame({"sensor": ["a", None], "rms": [0.5, float("nan")]}))
    [{'sensor': 'a', 'rms': 0.5}, {'sensor': None, 'rms': None}]
    """
    rows = frame.astype(object).where(frame.notna(), None).to_dict("records")
    return [{str(key): value for key, value in row.items()} for row in rows]


def reading_record(value: complex | None, phase: Literal["lag", "lead"]) -> dict[str, float | None]:
    """Return a reading (complex, lag) as documents have it, in a sensor's own convention.

    >>> reading_record(0.25j, "lead"), reading_record(None, "lag")
    ({'amplitude': 0.25, 'phase_deg': 270.0}, {'amplitude': None, 'phase_deg': None})
    """
    if value is None:
        return {"amplitude": None, "phase_deg": None}
    return {"amplitude": abs(value), "phase_deg": own_phase_deg(value, phase)}
