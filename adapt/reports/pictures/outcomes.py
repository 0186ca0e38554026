"""Pictures for who compares predictions with outcomes. What the numbers are is decided elsewhere.

For each sensor the predicted and the measured change of each pair on the clock; skill by channel;
error by the rotor's experience; calibration of intervals and of chances.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from adapt.outcomes.outcome import Outcome
from adapt.outcomes.scores import EXPERIENCE
from adapt.reports.layout import Picture
from adapt.reports.pictures.clock import draw_face, own_reading
from adapt.reports.pictures.drawing import (
    BEFORE,
    FAINT,
    INK,
    OVER,
    WELL,
    empty_axes,
    plain_name,
    sheet,
)
from adapt.reports.records import records
from adapt.reports.wording import count, number, share, vibration_decimals
from adapt.rotor import Rotor, Sensor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["calibration_picture", "changes_picture", "error_pictures", "outcome_pictures"]

_LOOK: dict[str, dict[str, Any]] = {
    "chart": {"marker": "s", "color": OVER, "markerfacecolor": "white"},
    "early fit": {"marker": "^", "color": BEFORE, "markerfacecolor": "white"},
    "learned": {"marker": "o", "color": WELL, "markerfacecolor": WELL},
}
_MOST_SHOWN = 80  # of one panel: the latest
_OF = {"vibration": "vibration", "track": "track", "run": "the run as a whole"}
_LONGEST = 60  # letters of sensor and regime beside a row
_SIDE, _RADIUS = 3.4, 1.35


def outcome_pictures(outcome: Outcome, rotor: Rotor) -> list[Picture]:
    """Return the pictures of a comparison; what there is nothing to show of is left out."""
    calibration = calibration_picture(outcome)
    return error_pictures(outcome, rotor) + ([] if calibration is None else [calibration])


def error_pictures(outcome: Outcome, rotor: Rotor) -> list[Picture]:
    """Return those of errors and skill."""
    found = [changes_picture(outcome, sensor) for sensor in rotor.sensors]
    found += [_skill(outcome), _experience(outcome)]
    return [picture for picture in found if picture is not None]


def changes_picture(outcome: Outcome, sensor: Sensor) -> Picture | None:
    """Return the change of each pair on the clock, as predicted and as measured, by method."""
    table = outcome.predictions
    mine = table[(table["sensor"] == sensor.name) & table["moved"]]
    parts = {
        m: mine[mine["method"] == m].tail(_MOST_SHOWN)
        for m in ("chart", "learned")
        if (mine["method"] == m).any()
    }
    if not parts:
        return None
    rms = {m: float(np.sqrt((part["error"] ** 2).mean())) for m, part in parts.items()}
    shown = max(len(part) for part in parts.values())
    said = "; ".join(f"{m}: rms error {value:.3g} {sensor.unit}" for m, value in rms.items())
    return Picture(
        name=f"change-{plain_name(sensor.name)}",
        title=(
            f"{sensor.name} [{sensor.unit}]: change between two runs, the latest "
            f"{count(shown, 'reading')} after a move"
        ),
        says=f"{sensor.name}: predicted and measured change between two runs with a move. {said}.",
        draw=lambda: _draw_changes(sensor, parts, rms),
    )


def _draw_changes(sensor: Sensor, parts: dict[str, pd.DataFrame], rms: dict[str, float]) -> Figure:
    wide = _SIDE * len(parts)
    figure = sheet(wide, _SIDE + 0.55)
    axes = empty_axes(figure, 0.0, 0.0, wide, _SIDE + 0.55)
    ends = {m: _ends(part) for m, part in parts.items()}
    sizes = [abs(v) for pair in ends.values() for side in pair for v in side]
    for n, (method, (predicted, measured)) in enumerate(ends.items()):
        middle = _SIDE * (n + 0.5)
        face = draw_face(
            axes, middle, 0.3 + _SIDE / 2, _RADIUS, sizes, [], vibration_decimals(sensor.unit)
        )
        starts = [face.place(own_reading(v, sensor.phase)) for v in predicted]
        stops = [face.place(own_reading(v, sensor.phase)) for v in measured]
        for start, stop in zip(starts, stops, strict=True):
            axes.plot(*zip(start, stop, strict=True), color=FAINT, linewidth=0.8, zorder=3)
        axes.plot(*zip(*starts, strict=True), linestyle="", zorder=4, markersize=4.2,
                  **_LOOK[method])  # fmt: skip
        axes.plot(*zip(*stops, strict=True), ".", color=INK, markersize=4, zorder=5)
        axes.text(
            middle, _SIDE + 0.43, f"{method}: rms error {rms[method]:.3g} {sensor.unit}",
            ha="center", va="center", fontsize=8.5,
        )  # fmt: skip
        axes.plot([middle - 1.1], [0.14], linestyle="", markersize=4.2, **_LOOK[method])
        axes.text(middle - 1.0, 0.14, "predicted", fontsize=7, va="center")
        axes.plot([middle + 0.25], [0.14], ".", color=INK, markersize=5)
        axes.text(middle + 0.35, 0.14, "measured", fontsize=7, va="center")
    return figure


def _ends(part: pd.DataFrame) -> tuple[list[complex], list[complex]]:
    """Return the predicted and the measured changes, complex, lag."""
    before = part["before"].to_numpy()
    return list(part["predicted"].to_numpy() - before), list(part["read"].to_numpy() - before)


def _skill(outcome: Outcome) -> Picture | None:
    """Return the skill of each method by channel, with intervals of what was learned."""
    table = outcome.summary[outcome.summary["regime"].notna()]
    if not _has_skill(table):
        return None
    learned = records(table[table["method"] == "learned"])
    said = "; ".join(
        f"{r['sensor'] or 'track'}, {r['regime']}: {share(r['skill'])}" for r in learned
    )
    return Picture(
        name="skill-by-channel",
        title="Skill: share of the mean square error of 'no change' that is gone",
        says=f"Skill of what was learned by channel. {said}.",
        draw=lambda: _draw_skill(table),
    )


def _has_skill(table: pd.DataFrame) -> bool:
    """Return whether any method that is drawn has a skill."""
    return bool(table.loc[table["method"].isin(list(_LOOK)), "skill"].notna().any())


def _draw_skill(table: pd.DataFrame) -> Figure:
    table = table[table["method"].isin(list(_LOOK)) & table["skill"].notna()]
    names = list(dict.fromkeys(zip(table["sensor"].fillna("track"), table["regime"], strict=True)))
    labels = [_channel_label(sensor, regime) for sensor, regime in names]
    high, left_inch = 1.3 + 0.24 * len(names), max(2.23, 0.3 + max(map(len, labels)) / 13.5)
    wide = left_inch + 4.97
    figure = sheet(wide, high)
    axes = figure.add_axes((left_inch / wide, 0.75 / high, 4.68 / wide, (high - 1.1) / high))
    place = {name: k for k, name in enumerate(names)}
    left = min(-0.05, max(float(table["skill"].min()) - 0.05, -1.0))
    beyond: dict[int, list[str]] = {}
    for method, look in _LOOK.items():
        some = table[table["method"] == method]
        at = [place[n] for n in zip(some["sensor"].fillna("track"), some["regime"], strict=True)]
        if method == "learned":
            axes.hlines(at, some["skill_low"], some["skill_high"], color=INK, linewidth=1.0)
        axes.plot(some["skill"], at, linestyle="", markersize=5, label=method, **look)
        for row, skill in zip(at, some["skill"], strict=True):
            if skill < left:
                beyond.setdefault(row, []).append(f"{method} {share(skill)}")
    for row, words in beyond.items():
        # What is worse than the axis reaches is written where it would stand.
        axes.text(
            left + 0.02, row - 0.05, f"< {', '.join(words)}", ha="left", va="bottom", fontsize=6,
            color=OVER,
        )  # fmt: skip
    axes.axvline(0.0, color=BEFORE, linewidth=0.8)
    axes.set_yticks(range(len(names)), labels)
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlim(left, 1.02)
    axes.set_xlabel("skill: share of the mean square error of 'no change' that is gone")
    axes.grid(axis="x", color=FAINT, alpha=0.4, linewidth=0.5)
    axes.legend(loc="lower left", ncols=3, bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
    return figure


def _channel_label(sensor: str, regime: str) -> str:
    """Return a channel's name, of long ones both ends of sensor and regime."""
    if len(sensor) + len(regime) > _LONGEST:
        sensor, regime = (
            n if len(n) <= _LONGEST // 2 else f"{n[: _LONGEST // 4]}...{n[3 - _LONGEST // 4 :]}"
            for n in (sensor, regime)
        )
    return f"{sensor}, {regime}"


def _experience(outcome: Outcome) -> Picture | None:
    """Return the error over that of no change, by how many pairs the rotor had before."""
    table = outcome.breakdown[outcome.breakdown["by"] == "experience"]
    kinds = [of for of in ("vibration", "track") if _has_skill(table[table["of"] == of])]
    if not kinds:
        return None
    said = "; ".join(
        f"{r['of']}, {r['method']}, {r['group']} pairs: "
        f"{number(float(np.sqrt(max(1.0 - r['skill'], 0.0))))}"
        for r in records(table[table["method"].isin(list(_LOOK))])
        if r["skill"] is not None
    )
    return Picture(
        name="error-by-experience",
        title="Error over that of 'no change', by the pairs of moves that the rotor had before",
        says=f"Root mean square error over that of no change. {said}.",
        draw=lambda: _draw_experience(table, kinds),
    )


def _draw_experience(table: pd.DataFrame, kinds: Sequence[str]) -> Figure:
    wide = 0.8 + 3.4 * len(kinds)
    figure = sheet(wide, 3.4)
    first: Axes | None = None
    for n, of in enumerate(kinds):
        axes = figure.add_axes(
            ((0.7 + 3.4 * n) / wide, 0.17, 3.0 / wide, 0.72), sharex=first, sharey=first
        )  # fmt: skip
        for method, look in _LOOK.items():
            some = table[(table["of"] == of) & (table["method"] == method)]
            at = np.array([EXPERIENCE.index(group) for group in some["group"]], dtype=float)
            error = _root(some["skill"])
            if method == "learned":
                axes.vlines(at, _root(some["skill_high"]), _root(some["skill_low"]), color=INK,
                            linewidth=1.0)  # fmt: skip
            axes.plot(at, error, linewidth=0.8, markersize=5, label=method, **look)
        axes.set_xticks(range(len(EXPERIENCE)), EXPERIENCE)
        axes.set_xlabel("pairs of moves that the rotor had before")
        axes.set_title(of)
        axes.grid(axis="y", color=FAINT, alpha=0.4, linewidth=0.5)
        if first is None:
            first = axes
            axes.set_ylabel("rms error over that of 'no change'")
            axes.legend()
    if first is not None:
        # Shared by the panels: every point is inside, a bar that says little may reach out of it.
        drawn = table[table["method"].isin(list(_LOOK)) & table["of"].isin(list(kinds))]
        most = float(np.nanmax(_root(drawn["skill"])))
        first.set_ylim(0.0, 1.6 * max(most, 0.1))
        first.set_xlim(-0.4, len(EXPERIENCE) - 0.6)
    return figure


def _root(skill: pd.Series) -> Any:
    return np.sqrt(1.0 - skill.to_numpy(dtype=float))


def calibration_picture(outcome: Outcome) -> Picture | None:
    """Return what came true by what was stated: chances, and the coverage of intervals."""
    kinds = [of for of in _OF if (outcome.reliability["of"] == of).any()]
    of_levels = outcome.coverage[outcome.coverage["experience"].isna()]
    if not kinds and of_levels.empty:
        return None
    chances = [
        f"{r['of']} stated {share(r['stated'])}, came true {share(r['came_true'])}"
        for r in records(outcome.reliability)
    ]
    levels = [
        f"{r['of']}: {share(r['share'])} inside {share(r['level'])} intervals"
        for r in records(of_levels)
    ]
    panels = len(kinds) + (not of_levels.empty)
    return Picture(
        name="calibration",
        title=f"What came true by what was stated, in {count(panels, 'panel')}, 95 % intervals",
        says=f"{'; '.join([*chances, *levels])}.",
        draw=lambda: _draw_calibration(outcome.reliability, of_levels, kinds, panels),
    )


def _draw_calibration(
    reliability: pd.DataFrame, of_levels: pd.DataFrame, kinds: Sequence[str], panels: int
) -> Figure:
    each = 2.9
    figure = sheet(0.3 + each * panels, each + 0.35)

    def square(n: int, title: str) -> Axes:
        wide, high = 0.3 + each * panels, each + 0.35
        axes = figure.add_axes(
            ((0.6 + each * n) / wide, 0.55 / high, 2.2 / wide, 2.2 / high)
        )  # fmt: skip
        axes.plot([0, 1], [0, 1], color=FAINT, linewidth=0.9)
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(-0.02, 1.02)
        axes.set_title(title)
        return axes

    for n, of in enumerate(kinds):
        some = reliability[reliability["of"] == of]
        axes = square(n, f"stated chances: {_OF[of]}")
        _with_bars(axes, some["stated"], some["came_true"], some["low"], some["high"], "o")
        axes.set_xlabel("stated chance of being inside")
        if n == 0:
            axes.set_ylabel("share that came inside")
    if not of_levels.empty:
        axes = square(panels - 1, "stated intervals")
        for of, marker in (("vibration", "o"), ("track", "s")):
            some = of_levels[of_levels["of"] == of]
            if len(some):
                _with_bars(
                    axes, some["level"], some["share"], some["low"], some["high"], marker, of
                )
        axes.set_xlabel("stated share inside")
        axes.legend(loc="upper left")
    return figure


def _with_bars(
    axes: Axes,
    x: pd.Series,
    y: pd.Series,
    low: pd.Series,
    high: pd.Series,
    marker: str,
    label: str | None = None,
) -> None:
    axes.vlines(x, low.astype(float), high.astype(float), color=INK, linewidth=1.0)
    face = WELL if marker == "o" else "white"
    axes.plot(x, y, marker, color=WELL, markerfacecolor=face, markersize=5, label=label)
