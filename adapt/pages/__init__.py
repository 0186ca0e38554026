"""Pages over a logbook, for a browser: for technicians, planners, specialists and analysts.

Nothing is computed here that no other room computes; pages read, ask, show and enter.
"""
