"""The log: what is wrong or unlikely in it, suspect entries, decisions about them."""
