"""Pages to hand over: a checked lot, one pair of it, and how they are put on disk and on paper."""
