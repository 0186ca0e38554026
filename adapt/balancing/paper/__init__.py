"""Paper charts: read in as coefficients, drawn out of coefficients."""
