"""Pictures for who compares predictions with outcomes, as PNG and SVG; readable in black and white.

The only module that knows the drawing library. What the numbers are is decided elsewhere.
"""

from __future__ import annotations

import re
from io import BytesIO
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from adapt.files import write_whole
from adapt.outcomes.outcome import Outcome
from adapt.outcomes.scores import EXPERIENCE
from adapt.phasor import phase_deg
from adapt.problems import AdaptError
from adapt.rotor import Rotor, Sensor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["write_figures"]

_LOOK: dict[str, dict[str, Any]] = {
    "chart": {"marker": "s", "color": "0.55", "markerfacecolor": "white"},
    "early fit": {"marker": "^", "color": "0.35", "markerfacecolor": "white"},
    "learned": {"marker": "o", "color": "black", "markerfacecolor": "black"},
}
_MOST_ARROWS = 80  # of one panel: the latest
_OF = {"vibration": "vibration", "track": "track", "run": "the run as a whole"}


def write_figures(outcome: Outcome, rotor: Rotor, folder: str | PathLike[str]) -> list[Path]:
    """Write the pictures of a comparison into a folder, made if need be; return their paths.

    For each sensor the predicted and the measured change of each pair on the clock; skill by
    channel; error by the rotor's experience; calibration of intervals and chances. What there is
    nothing to show of is left out. Raises AdaptError when a file cannot be written.
    """
    drawn: dict[str, Figure] = {}
    for sensor in rotor.sensors:
        if (figure := _changes(outcome, sensor)) is not None:
            name = f"change-{_plain(sensor.name)}"
            drawn[name if name not in drawn else f"{name}-{len(drawn)}"] = figure
    for name, draw in (
        ("skill-by-channel", _skill),
        ("error-by-experience", _experience),
        ("calibration", _calibration),
    ):
        if (figure := draw(outcome)) is not None:
            drawn[name] = figure
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AdaptError(f"{str(folder)!r} cannot be made ({error.strerror})") from error
    paths = []
    for name, figure in drawn.items():
        for kind, settings in (("png", {"dpi": 150}), ("svg", {"metadata": {"Date": None}})):
            path = Path(folder) / f"{name}.{kind}"
            content = BytesIO()
            figure.savefig(content, format=kind, bbox_inches="tight", **settings)
            write_whole(path, content.getvalue())
            paths.append(path)
    return paths


def _changes(outcome: Outcome, sensor: Sensor) -> Figure | None:
    """Draw the change of each pair on the clock, as predicted and as measured, by method."""
    table = outcome.predictions
    mine = table[(table["sensor"] == sensor.name) & table["moved"]]
    methods = [m for m in ("chart", "learned") if (mine["method"] == m).any()]
    if not methods:
        return None
    figure = _figure(5.4 * len(methods), 5.6)
    reach = 0.0
    panels: list[Axes] = []
    for number, method in enumerate(methods, start=1):
        some = mine[mine["method"] == method].tail(_MOST_ARROWS)
        before = some["before"].to_numpy()
        predicted = some["predicted"].to_numpy() - before
        measured = some["read"].to_numpy() - before
        axes: Any = figure.add_subplot(1, len(methods), number, projection="polar")
        _as_clock(axes)
        ends = np.stack([_angle(predicted, sensor), _angle(measured, sensor)])
        sizes = np.stack([np.abs(predicted), np.abs(measured)])
        axes.plot(ends, sizes, color="0.6", linewidth=0.8, zorder=1)
        axes.plot(ends[0], sizes[0], "o", color="black", markerfacecolor="white", markersize=4,
                  linestyle="", zorder=2, label="predicted")  # fmt: skip
        axes.plot(ends[1], sizes[1], "o", color="black", markersize=3, linestyle="", zorder=3,
                  label="measured")  # fmt: skip
        rms = float(np.sqrt((some["error"] ** 2).mean()))
        axes.set_title(f"{method}: rms error {rms:.3g} {sensor.unit}", pad=18)
        reach = max(reach, float(sizes.max()))
        panels.append(axes)
    for axes in panels:
        axes.set_ylim(0.0, 1.05 * reach)
    panels[0].legend(loc="upper left", bbox_to_anchor=(-0.14, 1.02), frameon=False)
    shown = min(_MOST_ARROWS, int((mine["method"] == methods[0]).sum()))
    figure.suptitle(
        f"{sensor.name}: change between two runs [{sensor.unit}, clock], last {shown} with a move"
    )
    return figure


def _skill(outcome: Outcome) -> Figure | None:
    """Draw the skill of each method by channel, with intervals of what was learned."""
    table = outcome.summary[outcome.summary["regime"].notna()]
    if table.empty:
        return None
    names = list(dict.fromkeys(zip(table["sensor"].fillna("track"), table["regime"], strict=True)))
    figure = _figure(7.5, 1.6 + 0.27 * len(names))
    axes = figure.add_subplot()
    place = {name: k for k, name in enumerate(names)}
    for method, look in _LOOK.items():
        some = table[table["method"] == method]
        at = [place[n] for n in zip(some["sensor"].fillna("track"), some["regime"], strict=True)]
        if method == "learned":
            axes.hlines(at, some["skill_low"], some["skill_high"], color="black", linewidth=1.0)
        axes.plot(some["skill"], at, linestyle="", markersize=5, label=method, **look)
    axes.axvline(0.0, color="0.5", linewidth=0.8)
    axes.set_yticks(range(len(names)), [f"{s}, {r}" for s, r in names])
    axes.invert_yaxis()
    low = float(np.nanmin(table["skill"].to_numpy(dtype=float)))
    axes.set_xlim(min(-0.05, max(low - 0.05, -1.0)), 1.02)
    axes.set_xlabel("skill: share of the mean square error of 'no change' that is gone")
    axes.grid(axis="x", color="0.9")
    axes.legend(loc="lower left", frameon=False, ncols=3, bbox_to_anchor=(0.0, 1.0))
    return figure


def _experience(outcome: Outcome) -> Figure | None:
    """Draw the error over that of no change, by how many pairs the rotor had before."""
    table = outcome.breakdown[outcome.breakdown["by"] == "experience"]
    kinds = [of for of in ("vibration", "track") if (table["of"] == of).any()]
    if not kinds:
        return None
    figure = _figure(4.8 * len(kinds), 3.8)
    first: Axes | None = None
    for number, of in enumerate(kinds, start=1):
        axes = figure.add_subplot(1, len(kinds), number, sharey=first)
        first = first or axes
        for method, look in _LOOK.items():
            some = table[(table["of"] == of) & (table["method"] == method)]
            at = np.array([EXPERIENCE.index(group) for group in some["group"]], dtype=float)
            error = np.sqrt(1.0 - some["skill"].to_numpy(dtype=float))
            if method == "learned":
                low = np.sqrt(1.0 - some["skill_high"].to_numpy(dtype=float))
                high = np.sqrt(1.0 - some["skill_low"].to_numpy(dtype=float))
                axes.vlines(at, low, high, color="black", linewidth=1.0)
            axes.plot(at, error, linewidth=0.8, markersize=5, label=method, **look)
        axes.set_xticks(range(len(EXPERIENCE)), EXPERIENCE)
        axes.set_xlabel("pairs of moves that the rotor had before")
        axes.set_title(of)
        axes.grid(axis="y", color="0.9")
        axes.set_ylim(bottom=0.0)
    assert first is not None
    first.set_ylabel("rms error over that of 'no change'")
    first.legend(frameon=False)
    return figure


def _calibration(outcome: Outcome) -> Figure | None:
    """Draw what came true by what was stated: chances, and the coverage of intervals."""
    kinds = [of for of in _OF if (outcome.reliability["of"] == of).any()]
    of_levels = outcome.coverage[outcome.coverage["experience"].isna()]
    panels = len(kinds) + (not of_levels.empty)
    if not panels:
        return None
    figure = _figure(3.7 * panels, 4.0)
    for number, of in enumerate(kinds, start=1):
        some = outcome.reliability[outcome.reliability["of"] == of]
        axes = _square(figure, panels, number, f"stated chances: {_OF[of]}")
        _with_bars(axes, some["stated"], some["came_true"], some["low"], some["high"], "o")
        axes.set_xlabel("stated chance of being inside")
        if number == 1:
            axes.set_ylabel("share that came inside")
    if not of_levels.empty:
        axes = _square(figure, panels, panels, "stated intervals")
        for of, marker in (("vibration", "o"), ("track", "s")):
            some = of_levels[of_levels["of"] == of]
            if len(some):
                _with_bars(
                    axes, some["level"], some["share"], some["low"], some["high"], marker, of
                )
        axes.set_xlabel("stated share inside")
        axes.legend(frameon=False, loc="upper left")
    return figure


def _square(figure: Figure, panels: int, number: int, title: str) -> Axes:
    axes = figure.add_subplot(1, panels, number)
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=0.8)
    axes.set_xlim(-0.02, 1.02)
    axes.set_ylim(-0.02, 1.02)
    axes.set_aspect("equal")
    axes.set_title(title, fontsize=10)
    return axes


def _with_bars(
    axes: Axes,
    x: pd.Series,
    y: pd.Series,
    low: pd.Series,
    high: pd.Series,
    marker: str,
    label: str | None = None,
) -> None:
    axes.vlines(x, low.astype(float), high.astype(float), color="0.3", linewidth=1.0)
    face = "black" if marker == "o" else "white"
    axes.plot(x, y, marker, color="black", markerfacecolor=face, markersize=5, label=label)


def _as_clock(axes: Any) -> None:
    axes.set_theta_zero_location("N")
    axes.set_theta_direction(-1)
    axes.set_thetagrids(range(0, 360, 30), ["12", *(str(h) for h in range(1, 12))])
    axes.grid(color="0.88")


def _angle(value: Any, sensor: Sensor) -> Any:
    """Return the angle [rad] that the sensor's instrument shows, lag or lead."""
    own = value if sensor.phase == "lag" else np.conj(value)
    return np.deg2rad(phase_deg(own))


def _figure(width: float, height: float) -> Figure:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "adapt"
    return Figure(figsize=(width, height), layout="constrained")


def _plain(name: str) -> str:
    """Return a name as a part of a file's name."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "sensor"
