"""What was learned, for people."""
