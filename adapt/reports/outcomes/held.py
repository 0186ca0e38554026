"""Whether stated intervals and chances held."""

from __future__ import annotations

from adapt.outcomes.outcome import Outcome
from adapt.outcomes.scores import EXPERIENCE
from adapt.reports.layout import Block, Heading, Line, table
from adapt.reports.records import records
from adapt.reports.wording import NOTHING, share, share_between

__all__ = ["held"]

_OF = {"vibration": "Vibration", "track": "Track", "run": "The run as a whole"}


def held(outcome: Outcome) -> list[Block]:
    """Return coverage by experience and reliability by stated chance, with the Brier score."""
    return [*_coverage(outcome), *_reliability(outcome), *_by_experience(outcome)]


def _coverage(outcome: Outcome) -> list[Block]:
    rows = records(outcome.coverage)
    levels = sorted({r["level"] for r in rows})
    cells: list[tuple[str, ...]] = []
    for of in ("vibration", "track"):
        mine = [r for r in rows if r["of"] == of]
        if not mine:
            continue
        cells.append((_OF[of], *[""] * (len(levels) + 1)))
        for experience in (None, *EXPERIENCE):
            some = {r["level"]: r for r in mine if r["experience"] == experience}
            if some:
                first = next(iter(some.values()))
                cells.append(
                    (
                        "  all" if experience is None else f"  {experience} earlier",
                        f"{first['readings']}",
                        *(
                            share_between(some[v]["share"], some[v]["low"], some[v]["high"])
                            if v == 0.95
                            else share(some[v]["share"])
                            for v in levels
                        ),
                    )
                )
    if not cells:
        return []
    titles = ["By earlier pairs: inside", ">Readings", *(f">{100 * v:.0f} %" for v in levels)]
    return [Heading("Do stated intervals hold?"), table(titles, cells)]


def _reliability(outcome: Outcome) -> list[Block]:
    cells: list[tuple[str, ...]] = []
    lines: list[Block] = []
    for of, word in _OF.items():
        mine = [r for r in records(outcome.reliability) if r["of"] == of]
        if not mine:
            continue
        cells.append((word, *[""] * 4))
        cells += [
            (
                f"  {100 * r['stated_from']:.0f} to {100 * r['stated_to']:.0f} %",
                f"{r['number']}",
                f"{r['jobs']}",
                f"{100 * r['stated']:.0f} %",
                share_between(r["came_true"], r["low"], r["high"]),
            )
            for r in mine
        ]
        score = outcome.brier[of]
        within = NOTHING if score.low != score.low else f"{score.low:.3f} to {score.high:.3f}"
        lines.append(
            Line(
                f"Brier score, {word.lower()}: {score.score:.3f} ({within}); {score.if_right:.3f} "
                "would be usual if every chance were right, and "
                f"{score.uncertainty:.3f} for who only knows how often it comes true."
            )
        )
    if not cells:
        return []
    titles = ["Stated chance of being inside", ">Number", ">Jobs", ">Mean stated", ">Came inside"]
    return [Heading("Do stated chances hold?"), table(titles, cells), *lines]


def _by_experience(outcome: Outcome) -> list[Block]:
    rows = records(outcome.by_experience)
    cells: list[tuple[str, ...]] = []
    for of, word in _OF.items():
        mine = {r["experience"]: r for r in rows if r["of"] == of}
        if not mine:
            continue
        cells.append((word, *[""] * 6))
        cells += [
            (
                f"  {experience} earlier",
                f"{r['number']}",
                f"{r['jobs']}",
                share(r["stated"]),
                share_between(r["came_true"], r["low"], r["high"]),
                f"{r['brier']:.3f}",
                f"{r['if_right']:.3f}",
            )
            for experience in EXPERIENCE
            if (r := mine.get(experience)) is not None
        ]
    if not cells:
        return []
    titles = [">Number", ">Jobs", ">Mean stated", ">Came inside", ">Brier", ">If right"]
    return [Heading("Chances by the rotor's experience"), table(["Earlier pairs", *titles], cells)]
