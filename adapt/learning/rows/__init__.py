"""A log as arrays, and its differences as independent rows, summed to cells."""
