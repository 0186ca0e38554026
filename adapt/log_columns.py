"""Which tables a log has, and which columns each of them has. What they mean is read in `log`."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["EVENT_KINDS", "NEEDED_COLUMNS", "OPTIONAL_COLUMNS", "folded"]

NEEDED_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "runs": ("rotor", "job", "run", "started"),
    "readings": ("job", "run", "regime", "sensor", "amplitude"),
    "track": ("job", "run", "regime", "blade", "height"),
    "moves": ("job", "after_run", "blade", "adjuster", "amount"),
    "fitted": ("job", "blade", "adjuster", "amount"),
    "events": ("job", "after_run", "kind"),
    "reviews": ("review", "job", "table", "after_run", "run", "decision"),
    "corrections": ("review", "table", "job", "entered", "corrected"),
}
OPTIONAL_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "runs": ("design", "aircraft", "note", "gross_weight", "wind_kt", "oat_c", "rpm"),
    "readings": ("clock", "phase_deg", "spread", "repeats", "excluded", "unit"),
    "track": ("lag", "excluded", "unit"),
    "moves": ("unit",),
    "fitted": ("unit",),
    "events": ("note", "sensor"),
    "reviews": ("kind", "explanation", "by", "decided", "note"),
    "corrections": (
        "after_run", "run", "blade", "adjuster", "sensor", "regime", "entered_clock",
        "entered_phase_deg", "corrected_clock", "corrected_phase_deg",
    ),
}  # fmt: skip
EVENT_KINDS = ("hardware changed", "sensor moved", "reference moved", "other")


def folded(name: str) -> str:
    """Return a name of a design or a set as it is compared: without regard to case and blanks.

    >>> folded(" Main  Rotor") == folded("main rotor")
    True
    """
    return " ".join(name.split()).casefold()
