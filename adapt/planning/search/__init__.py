"""Searching plans: exact values, supports, aims, other plans."""
