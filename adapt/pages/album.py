"""Pictures of pages: drawn when a browser asks for them, at an address that tells their content."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from threading import RLock

from adapt.reports.layout import Picture
from adapt.reports.pictures.drawing import as_svg
from adapt.reports.wording import Written, how_written, written_as

__all__ = ["Album"]

_MOST_KEPT = 1_000


class Album:
    """The pictures that pages have shown lately."""

    def __init__(self) -> None:
        self._pictures: OrderedDict[str, tuple[Picture, Written] | bytes] = OrderedDict()
        self._one = RLock()

    def put(self, picture: Picture) -> str:
        """Keep a picture and return its name: the same for the same content, in words.

        It is drawn for whoever it is put here for, who may write decimals otherwise than others.
        """
        how = how_written()
        told = "\0".join((picture.name, picture.title, picture.says, how.decimal, how.dates))
        name = hashlib.sha256(told.encode()).hexdigest()[:32]
        with self._one:
            self._pictures.setdefault(name, (picture, how))
            self._pictures.move_to_end(name)
            while len(self._pictures) > _MOST_KEPT:
                self._pictures.popitem(last=False)
        return name

    def drawn(self, name: str) -> bytes | None:
        """Return a picture as SVG, None where it is not known (any more)."""
        with self._one:
            found = self._pictures.get(name)
        if isinstance(found, tuple):
            picture, how = found
            with written_as(how):
                found = as_svg(picture)
            with self._one:
                self._pictures[name] = found
        return found
