"""Pictures of a comparison: every point is inside its panel or written, none without a point."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented_fleet import Fleet, fleet

from adapt.outcomes import Outcome, compare
from adapt.reports.layout import Picture
from adapt.reports.pictures.folder import write_pictures
from adapt.reports.pictures.outcomes import outcome_pictures


@pytest.fixture(scope="module")
def flown() -> tuple[Fleet, Outcome]:
    f = fleet(np.random.default_rng(103), rotors=6, jobs=2, runs=3)
    return f, compare(f.rotor, f.history, f.chart)


def by_name(flown: tuple[Fleet, Outcome], **changed: pd.DataFrame) -> dict[str, Picture]:
    f, outcome = flown
    return {p.name: p for p in outcome_pictures(replace(outcome, **changed), f.rotor)}


def with_skill(table: pd.DataFrame, at: pd.Series, skill: float) -> pd.DataFrame:
    return table.assign(skill=table.skill.where(~at, skill))


def test_what_is_worse_in_the_second_panel_is_inside_it(flown: tuple[Fleet, Outcome]) -> None:
    """A skill of -24 is 5 times the error of no change, far above all of vibration."""
    table = flown[1].breakdown
    bad = with_skill(table, (table.of == "track") & (table.method == "chart"), -24.0)
    figure = by_name(flown, breakdown=bad)["error-by-experience"].draw()
    of_track = figure.axes[1]
    drawn = np.concatenate([line.get_ydata() for line in of_track.lines])
    assert drawn.max() == pytest.approx(5.0)
    assert of_track.get_ylim()[1] > 5.0
    places = np.concatenate([line.get_xdata() for line in of_track.lines])
    assert of_track.get_xlim()[0] < places.min() - 0.2
    assert places.max() + 0.2 < of_track.get_xlim()[1]


def test_a_skill_beyond_the_axis_is_written(flown: tuple[Fleet, Outcome]) -> None:
    table = flown[1].summary
    bad = with_skill(table, (table.method == "chart") & table.sensor.isna(), -38.23)
    axes = by_name(flown, summary=bad)["skill-by-channel"].draw().axes[0]
    written = [text.get_text() for text in axes.texts]
    assert written == ["< chart -3823 %"] * len(flown[0].rotor.regimes)
    bottom, top = axes.get_ylim()
    assert top < 0.0
    assert len(axes.get_yticks()) - 1 < bottom


@pytest.mark.parametrize("length", [8, 40, 200])
def test_names_of_channels_are_not_cut_at_the_edge(
    flown: tuple[Fleet, Outcome], length: int
) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    table = flown[1].summary
    names = {
        f"regime {n}": f"regime {n} {'at a weight ' * 30}"[:length] + str(n) for n in (1, 2, 3)
    }
    long = table.assign(regime=table.regime.map(names))
    figure = by_name(flown, summary=long)["skill-by-channel"].draw()
    FigureCanvasAgg(figure).draw()
    labels = figure.axes[0].get_yticklabels()
    assert len({label.get_text() for label in labels}) == 3 * 3
    for label in labels:
        assert label.get_window_extent().x0 >= 0.0


def test_without_any_skill_no_empty_axes_are_drawn(flown: tuple[Fleet, Outcome]) -> None:
    summary, breakdown = flown[1].summary, flown[1].breakdown
    still = with_skill(summary, summary.method != "no change", np.nan)
    groups = with_skill(breakdown, breakdown.method != "no change", np.nan)
    names = set(by_name(flown, summary=still, breakdown=groups))
    assert "calibration" in names
    assert not names & {"skill-by-channel", "error-by-experience"}


def test_a_picture_in_a_file_bears_its_whole_title(
    flown: tuple[Fleet, Outcome], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Texts are kept as texts here, so that they can be read; long titles stand in two lines."""
    from adapt.reports.pictures import folder

    seen: dict[str, str] = {}
    sizes: dict[str, float] = {}

    def reading(picture: Picture) -> bytes:
        figure = picture.draw()
        seen[picture.name] = " ".join(text.get_text() for text in figure.texts)
        sizes[picture.name] = figure.get_size_inches()[1]
        return b""

    monkeypatch.setattr(folder, "as_png", reading)
    monkeypatch.setattr(folder, "as_svg", reading)
    pictures = by_name(flown)
    write_pictures(list(pictures.values()), tmp_path)
    assert seen == {name: picture.title for name, picture in pictures.items()}
    for name, picture in pictures.items():
        assert sizes[name] > picture.draw().get_size_inches()[1] + 0.2
    table = flown[1].predictions
    shown = (table.sensor == "sensor 1") & table.moved & (table.method == "chart")
    assert f"the latest {shown.sum()} readings after a move" in seen["change-sensor-1"]
