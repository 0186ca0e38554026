"""The fit in which rough runs and gusts count less."""
