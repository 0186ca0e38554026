"""Rotors to inspect before balancing: what the tests of health found, in sentences.

Built from the rows of `Coefficients.health`. Nothing here names a cause: a changed answer is a
reason to look, not a diagnosis.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from adapt.coefficients import Coefficients
from adapt.reports.layout import Block, Bullets, Heading, Line
from adapt.reports.wording import count, joined

__all__ = ["health_report", "health_sentence"]

MOST_ROWS = 12


def health_report(learned: Coefficients) -> list[Block]:
    """Return the rotors to inspect before balancing; nothing where nothing was found."""
    if not learned.health:
        return []
    rows = list(learned.health)
    shown = [health_sentence(row) for row in rows[:MOST_ROWS]]
    if len(rows) > MOST_ROWS:
        shown.append(f"and {count(len(rows) - MOST_ROWS, 'more finding')} in the document (--json)")
    rate = float(rows[0]["false_alarm_rate"])
    return [
        Heading("Inspect before balancing"),
        Line(
            "These rotors do not answer to their moves as they did, or not alike on all blades. "
            "The cause is not known: it may be in the machine, in a sensor or in the entries. "
            "Until somebody has looked, a plan for them rests on answers that may no longer hold. "
            f"A fleet with nothing the matter shows any such line in at most {100 * rate:.3g} of "
            "100 logs.",
            tone="bad",
        ),
        Bullets(tuple(shown)),
    ]


def health_sentence(row: Mapping[str, Any]) -> str:
    """Return one finding in a sentence.

    >>> health_sentence({
    ...     "rotor": "MR-3", "test": "answer changed", "since_job": "J-9", "since_run": "2",
    ...     "how": "weaker", "factor": 0.62, "factor_low": 0.55, "factor_high": 0.69,
    ...     "angle_deg": 1.0, "angle_low": -5.0, "angle_high": 7.0, "sensor": None,
    ...     "adjuster": None, "blade": None, "could_be": [], "held_back": 0, "p_value": 1e-4,
    ...     "false_alarm_rate": 0.05})
    'MR-3: since run 2 of J-9 its answer is weaker, 0.62 of what it was (0.55 to 0.69)'
    """
    parts = [f"{row['rotor']}: {_what(row)}"]
    how_much = _how_much(row)
    if how_much:
        parts.append(how_much)
    if row.get("held_back"):
        pairs = count(int(row["held_back"]), "pair")
        parts.append(f"this explains {pairs} held back as suspect entries")
    others = [b for b in row.get("could_be", ()) if b != row["blade"]]
    if others:
        parts.append(f"the log cannot tell it from {_listed('blade', others)}")
    return ", ".join(parts)


def _what(row: Mapping[str, Any]) -> str:
    """Return what is otherwise, since when, and in a word how."""
    concerned = _concerned(row)
    track = row.get("of") == "track"
    answer = "track answer" if track else "answer"
    word = {"turned": "turned", "changed": "changed"}.get(row["how"], row["how"])
    if row["test"] == "blades not alike":
        return (
            f"{'track answers to moves' if track else 'moves'} on blade {row['blade']} "
            f"{'' if track else 'answer '}otherwise than on the others{concerned}: {word}"
        )
    began = f"since run {row['since_run']} of {row['since_job']} its {answer}{concerned}"
    if row["test"] == "answer drifting":
        grows = {"turned": "turns", "changed": "changes"}.get(word, f"gets {word}")
        return f"{began} {grows} from pair to pair"
    verb = "has" if word in ("turned", "changed") else "is"
    return f"{began} {verb} {word}"


def _concerned(row: Mapping[str, Any]) -> str:
    text = f" to the {row['adjuster']}" if row["adjuster"] is not None else ""
    return text + (f" at {row['sensor']}" if row["sensor"] is not None else "")


def _how_much(row: Mapping[str, Any]) -> str:
    """Return size and turn with their intervals, as far as they are known and worth telling."""
    told = []
    than = "what the others do" if row["test"] == "blades not alike" else "what it was"
    drifting = row["test"] == "answer drifting"
    now = "now " if drifting else ""
    if row["factor"] is not None and (
        row["how"] != "turned" or not row["factor_low"] <= 1.0 <= row["factor_high"]
    ):
        told.append(
            f"{now}{row['factor']:.2f} of {than} "
            f"({row['factor_low']:.2f} to {row['factor_high']:.2f})"
        )
    if drifting and told and row.get("pairs"):
        rate = 100.0 * abs(1.0 - row["factor"]) / row["pairs"]
        told.append(f"{rate:.1f} % a pair over {row['pairs']} pairs with moves")
    if row["angle_deg"] is not None and (
        row["how"] in ("turned", "changed") or not row["angle_low"] <= 0.0 <= row["angle_high"]
    ):
        ends = sorted((abs(row["angle_low"]), abs(row["angle_high"])))
        if row["angle_low"] <= 0.0 <= row["angle_high"]:
            told.append(f"turned by {row['angle_low']:+.0f} to {row['angle_high']:+.0f} deg of lag")
        else:
            side = "more" if row["angle_deg"] > 0.0 else "less"
            told.append(
                f"it lags {abs(row['angle_deg']):.0f} deg {side} ({ends[0]:.0f} to {ends[1]:.0f})"
            )
    return ", ".join(told)


def _listed(word: str, names: Iterable[str]) -> str:
    listed = [str(n) for n in names]
    return f"{word if len(listed) == 1 else word + 's'} {joined(listed)}"
