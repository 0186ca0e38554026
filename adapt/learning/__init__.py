"""Learning influence coefficients from before/after run pairs."""

from adapt.learning.learner import learn
from adapt.learning.sequential import update

__all__ = ["learn", "update"]
