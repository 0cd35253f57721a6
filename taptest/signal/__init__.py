"""Samples of a recording -> taps, noise, and damped modes with their uncertainties; and modes back into sound."""
