"""Two skis compared as a pair, and the best pairs of a pile."""
