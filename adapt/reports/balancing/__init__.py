"""Reports, documents and drawings of the balancing room."""
