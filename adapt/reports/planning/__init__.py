"""Plans, for people and for scripts."""
