"""The compiled inner loops of the search for the smoothest plan; plain arrays in and out.

What the arrays mean stands in `arrays`.
"""
