"""Comparisons with what happened: tables, pictures, documents."""
