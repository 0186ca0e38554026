"""Looking for entries of a log that are probably wrong."""

from adapt.learning.suspects.mistakes import Mistake
from adapt.learning.suspects.search import find_suspects
from adapt.learning.suspects.segments import Known, Segments
from adapt.learning.suspects.suspect import Suspect

__all__ = ["Known", "Mistake", "Segments", "Suspect", "find_suspects"]
