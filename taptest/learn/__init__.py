"""A construction learnt from skis presumed good, and the file it is written to."""
