"""An instrument's own tables read as a log, through a column map that is written once."""

from adapt.logbook.maps.mapping import mapped
from adapt.logbook.maps.reading import map_from, read_map
from adapt.logbook.maps.values import Map

__all__ = ["Map", "map_from", "mapped", "read_map"]
