"""Statistics that know no ski: robust centre and scale, outlier tests, tolerance limits, ranks and permutations."""
