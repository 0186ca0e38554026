"""One job: where it stands, what can be moved, which limits count."""
