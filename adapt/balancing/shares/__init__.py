"""A correction shared over the holes that exist, in the pieces at hand, with proof.

Values stand in `values`, the reader of the holes file in `reading`, the verb in `sharing`; `moves`
goes to and from moves of the rotor file's adjusters, `planes` takes one plane of several,
`recorded` looks into the log.
"""

from adapt.balancing.shares.moves import moves_of, unbalance_of
from adapt.balancing.shares.planes import of_plane
from adapt.balancing.shares.reading import holes_problems, read_holes
from adapt.balancing.shares.recorded import Difference, differing
from adapt.balancing.shares.sharing import share
from adapt.balancing.shares.values import Change, Hole, Holes, Piece, Place, Shared, Total

__all__ = [
    "Change",
    "Difference",
    "Hole",
    "Holes",
    "Piece",
    "Place",
    "Shared",
    "Total",
    "differing",
    "holes_problems",
    "moves_of",
    "of_plane",
    "read_holes",
    "share",
    "unbalance_of",
]
