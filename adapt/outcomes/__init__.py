"""Did it come true: predictions from the past only, held against what was read."""

from adapt.outcomes.outcome import Outcome, outcome_document
from adapt.outcomes.replay import compare

__all__ = ["Outcome", "compare", "outcome_document"]
