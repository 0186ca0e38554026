"""Constraints of the user's own."""
