"""Trial weights: how large one may be, and what the runs with them tell where there is no chart."""
