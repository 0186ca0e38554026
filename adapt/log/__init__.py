"""The tables of a log: runs, readings, track, moves, fitted amounts, events, and reviews of them.

`read_log` takes text in (`reading`); `check` (`checking`) reads that text with a rotor file in hand
and gives the `History` (`history`) that everything else works on, with its faults and doubts.
What specialists decided about suspect entries stands in two tables of its own (`reviews`,
`corrections`) and is put in place of what was entered (`correcting`); such decisions are made in
`deciding` and written in `reviewing`. Nothing here learns or plans.
"""

from adapt.log.checking import check
from adapt.log.history import History, nothing_logged
from adapt.log.reading import Log, read_log

__all__ = ["History", "Log", "check", "nothing_logged", "read_log"]
