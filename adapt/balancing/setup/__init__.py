"""Where the phase reference and the sensors sit: set-ups, and readings between two of them.

`values` and `reading`: what a set-up is and its file; `geometry`: when the pulse comes; `turns`: by
how much readings differ between two set-ups; `converting`: readings, tables and charts turned;
`looks_turned`: whether readings before and after look like a reference that was turned.
"""

from adapt.balancing.setup.converting import chart_here, table_on_chart
from adapt.balancing.setup.looks_turned import Looks, looks_turned
from adapt.balancing.setup.reading import read_setup
from adapt.balancing.setup.turns import Turn, turns_between
from adapt.balancing.setup.values import Mount, Reference, Setup

__all__ = [
    "Looks",
    "Mount",
    "Reference",
    "Setup",
    "Turn",
    "chart_here",
    "looks_turned",
    "read_setup",
    "table_on_chart",
    "turns_between",
]
