"""The demo: two years of an invented operator's rotor work, and two jobs that are open tonight.

`write_demo` writes the folder that a person may copy and fill with their own files. `truth` is for
studies and tests only.
"""

from adapt.scenario.demo import Demo, Truth, truth, write_demo
from adapt.scenario.technician import technician

__all__ = ["Demo", "Truth", "technician", "truth", "write_demo"]
