"""Generations and constructions side by side: what differs, how surely, and where a change of tone comes from."""
