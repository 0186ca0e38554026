"""What stands in a plan: its forecast, its reasons, and what is said beside it."""
