"""The tables of a log: runs, readings, track, moves, fitted amounts and events.

`read_log` takes text in (`reading`); `check` (`checking`) reads that text with a rotor file in hand
and gives the `History` (`history`) that everything else works on, with its faults and doubts.
Nothing here learns or plans.
"""

from adapt.log.checking import check
from adapt.log.history import History
from adapt.log.reading import Log, read_log

__all__ = ["History", "Log", "check", "read_log"]
