"""What is done with a logbook: importing, correcting, exporting, closing jobs, publishing sets.

How its rows are stored is `database`'s business.
"""
