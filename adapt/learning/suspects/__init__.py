"""Looking for entries of a log that are probably wrong, and saying what was probably meant."""

from adapt.learning.suspects.mistakes import Mistake
from adapt.learning.suspects.rows import suspect_rows
from adapt.learning.suspects.search import find_suspects
from adapt.learning.suspects.segments import Known, Segments
from adapt.learning.suspects.sieve import LOOK
from adapt.learning.suspects.suspect import Suspect

__all__ = ["LOOK", "Known", "Mistake", "Segments", "Suspect", "find_suspects", "suspect_rows"]
