"""What makes the numbers trustworthy: clock, room, loops, constructions, repeatability, drift and temperature."""
