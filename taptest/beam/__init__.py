"""Stiffness, mass and their spread along the ski -> natural frequencies."""
