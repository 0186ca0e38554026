"""How predictions did by what was moved, by rotor, by size of the change, time and experience."""

from __future__ import annotations

from collections.abc import Sequence

from adapt.outcomes.outcome import Outcome
from adapt.reports.layout import Block, Heading, Line, table, without_blank_columns
from adapt.reports.records import Record, records
from adapt.reports.wording import NOTHING, count, share, share_between

__all__ = ["compared_by"]

_TITLES = {
    "adjuster": "By what was moved",
    "size": "By the size of the change predicted, over the limit",
    "experience": "By how many pairs of moves the rotor had before",
    "rotor": "By rotor",
    "time": "By time",
    "entries": "By what the log's entries look like now",
}
_OF = {"vibration": "Vibration", "track": "Track"}
_MOST = 12  # rows of one part; of more, those that are predicted worst


def compared_by(outcome: Outcome) -> list[Block]:
    """Return a table for each way of breaking the errors down, and what its numbers are."""
    rows = records(outcome.breakdown)
    report: list[Block] = []
    for by, title in _TITLES.items():
        mine = [r for r in rows if r["by"] == by]
        if len({r["group"] for r in mine}) < 2:
            continue
        cells: list[tuple[str, ...]] = []
        left = 0
        for of, word in _OF.items():
            groups = _groups([r for r in mine if r["of"] == of])
            if not groups:
                continue
            shown = _worst(groups) if by == "rotor" and len(groups) > _MOST else groups
            left = max(left, len(groups) - len(shown))
            cells.append((word, *[""] * 6))
            cells += [_row(name, group) for name, group in shown.items()]
        titles = ["", ">Readings", ">Jobs", ">Chart", ">Early fit", ">Learned", ">Inside 95 %"]
        report += [
            Heading(f"{title}: skill"),
            without_blank_columns(table(titles, cells), ("Chart",)),
        ]
        if left:
            report.append(Line(f"{count(left, 'more rotor')}, all predicted better."))
    if report:
        report.append(
            Line(
                "Channels are pooled, each error over what 'no change' usually misses there; runs "
                "with a move alone, but where it says otherwise. A run counts under each adjuster "
                "that was moved before it."
            )
        )
    return report


def _groups(rows: Sequence[Record]) -> dict[str, dict[str, Record]]:
    groups: dict[str, dict[str, Record]] = {}
    for r in rows:
        groups.setdefault(str(r["group"]), {})[r["method"]] = r
    return groups


def _worst(groups: dict[str, dict[str, Record]]) -> dict[str, dict[str, Record]]:
    order = sorted(groups, key=lambda name: groups[name]["learned"]["skill"] or 0.0)
    return {name: groups[name] for name in order[:_MOST]}


def _row(name: str, group: dict[str, Record]) -> tuple[str, ...]:
    learned = group["learned"]
    still = name == "no move"  # there is no change to foretell
    return (
        f"  {name}",
        f"{learned['runs']}",
        f"{learned['jobs']}",
        NOTHING if still else share(group.get("chart", {}).get("skill")),
        NOTHING if still else share(group.get("early fit", {}).get("skill")),
        share_between(learned["skill"], learned["skill_low"], learned["skill_high"]),
        share(learned["coverage"]),
    )
