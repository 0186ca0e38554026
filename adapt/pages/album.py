"""Pictures of pages: drawn when a browser asks for them, at an address that tells their content."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from threading import RLock

from adapt.reports.layout import Picture
from adapt.reports.pictures.drawing import as_svg

__all__ = ["Album"]

_MOST_KEPT = 1_000


class Album:
    """The pictures that pages have shown lately."""

    def __init__(self) -> None:
        self._pictures: OrderedDict[str, Picture | bytes] = OrderedDict()
        self._one = RLock()

    def put(self, picture: Picture) -> str:
        """Keep a picture and return its name: the same for the same content, in words."""
        told = "\0".join((picture.name, picture.title, picture.says))
        name = hashlib.sha256(told.encode()).hexdigest()[:32]
        with self._one:
            self._pictures.setdefault(name, picture)
            self._pictures.move_to_end(name)
            while len(self._pictures) > _MOST_KEPT:
                self._pictures.popitem(last=False)
        return name

    def drawn(self, name: str) -> bytes | None:
        """Return a picture as SVG, None where it is not known (any more)."""
        with self._one:
            found = self._pictures.get(name)
        if isinstance(found, Picture):
            found = as_svg(found)
            with self._one:
                self._pictures[name] = found
        return found
