"""Where a logbook's rows are stored: schema, opening, writing, states. What they mean is others'.

A change is one transaction: it adds rows, each of which belongs to it, and nothing is ever updated
or deleted. A state of the logbook is that after one of its changes.
"""
