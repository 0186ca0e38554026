"""Has a rotor stopped answering as it did, and do its blades answer alike?

Recursive residuals, tests over the whole fleet at a stated false-alarm rate, and what was found.
"""

from adapt.learning.health.changes import FALSE_ALARMS, find_changes
from adapt.learning.health.residuals import Residuals, recursive_residuals

__all__ = ["FALSE_ALARMS", "Residuals", "find_changes", "recursive_residuals"]
