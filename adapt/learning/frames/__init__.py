"""Moved references and refitted sensors: what one rotor shows, frame by frame."""
