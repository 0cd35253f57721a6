"""Samples of a recording -> taps, noise, and damped modes with their uncertainties; and modes back into sound.

One module more than other rooms: each holds one step on the way from samples to modes.
"""
