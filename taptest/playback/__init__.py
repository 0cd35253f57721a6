"""Sounds for a person: taps and modes one after another for comparison by ear, and the short tones of a session."""
