"""From a source (a folder, an instrument's tables) into a logbook: all of it, or nothing."""
