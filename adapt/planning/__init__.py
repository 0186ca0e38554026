"""Picks the correction: whole hardware steps, all limits together, with proof and chance."""

from adapt.planning.planner import AIMS, plan

__all__ = ["AIMS", "plan"]
