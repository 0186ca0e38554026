"""Balancing with charts and trial weights: charts in and out, set-ups, planes, holes, unbalance.

What is learned from a log, planned and compared lives in the rooms above; these serve the same
numbers where there is only a paper chart, a trial weight or a set of holes.
"""
