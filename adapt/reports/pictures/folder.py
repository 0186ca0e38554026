"""Pictures in a folder, each as PNG and SVG, every file whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path

from adapt.files import write_whole
from adapt.problems import AdaptError
from adapt.reports.layout import Picture
from adapt.reports.pictures.drawing import as_png, as_svg, with_title

__all__ = ["write_pictures"]


def write_pictures(pictures: Sequence[Picture], folder: str | PathLike[str]) -> list[Path]:
    """Write pictures into a folder, made if need be, each under its title; return their paths.

    Two of one name are told apart by a number. Raises AdaptError when a file cannot be written.
    """
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AdaptError(f"{str(folder)!r} cannot be made ({error.strerror})") from error
    paths: list[Path] = []
    taken: set[str] = set()
    for number, picture in enumerate(pictures, start=1):
        name = picture.name if picture.name not in taken else f"{picture.name}-{number}"
        taken.add(name)
        for kind, draw in (("png", as_png), ("svg", as_svg)):
            path = Path(folder) / f"{name}.{kind}"
            write_whole(path, draw(with_title(picture)))
            paths.append(path)
    return paths
