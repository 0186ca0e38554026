"""The report of one job: what was read, moved and foretold, and what comes next."""
