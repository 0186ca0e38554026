"""Pictures for who writes decimals with a comma."""

from __future__ import annotations

import pytest
from matplotlib.figure import Figure

from adapt.pages.album import Album
from adapt.reports.layout import Picture
from adapt.reports.pictures.commas import with_commas
from adapt.reports.pictures.drawing import as_svg
from adapt.reports.wording import Written, written_as


def drawn() -> Figure:
    figure = Figure()
    axes = figure.add_subplot()
    axes.plot([0.0, 1.0], [0.0, 0.25])
    axes.set_xticks([0, 1], ["hover", "60.5 kt"])
    return figure


PICTURE = Picture("a-picture", "Readings", "What it shows", drawn)


def labels(figure: Figure) -> tuple[list[str], list[str]]:
    figure.draw_without_rendering()
    axes = figure.axes[0]
    return (
        [text.get_text() for text in axes.get_xticklabels()],
        [text.get_text() for text in axes.get_yticklabels()],
    )


def test_numbers_have_the_comma_and_names_stay() -> None:
    plain, with_comma = drawn(), drawn()
    with_commas(with_comma)
    names, numbers = labels(with_comma)
    assert names == ["hover", "60.5 kt"]
    assert "0,05" in numbers
    assert numbers == [text.replace(".", ",") for text in labels(plain)[1]]


@pytest.mark.parametrize("decimal", [".", ","])
def test_each_reader_gets_the_picture_as_they_write(decimal: str) -> None:
    with written_as(Written(decimal)):  # type: ignore[arg-type]
        mine = as_svg(PICTURE)
    assert (mine == as_svg(PICTURE)) == (decimal == ".")


def test_the_album_keeps_one_for_each_way_of_writing() -> None:
    album = Album()
    name = album.put(PICTURE)
    with written_as(Written(",")):
        other = album.put(PICTURE)
    assert name != other
    assert album.drawn(name) != album.drawn(other)
    assert album.put(PICTURE) == name
