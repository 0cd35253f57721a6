"""Sounds put side by side for comparison by ear, and the way to the loudspeaker."""
