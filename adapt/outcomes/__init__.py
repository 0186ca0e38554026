"""Did it come true: predictions from the past only, held against what was read."""

from adapt.outcomes.compare import compare
from adapt.outcomes.corrected import corrected_chart
from adapt.outcomes.decisions import Decisions, replay_decisions
from adapt.outcomes.outcome import Outcome

__all__ = ["Decisions", "Outcome", "compare", "corrected_chart", "replay_decisions"]
