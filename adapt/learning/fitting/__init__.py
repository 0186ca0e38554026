"""One fit: the mixed model of a fleet, its noise, and how its rotors differ."""
