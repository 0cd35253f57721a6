"""The best pairing of a pile: as many pairs as possible, and of all such pairings the one with the least total cost."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

# Whole numbers, so that the matching is exact and does not depend on how sums are rounded.
COST_STEPS = 1_000_000


def best_pairing(
    count: int, first: NDArray[np.int64], second: NDArray[np.int64], cost: NDArray[np.float64]
) -> list[tuple[int, int]]:
    """Minimum-weight matching of greatest size in a graph of `count` things; exact, by the blossom method [1].

    Args:
        count: how many things there are, numbered from 0.
        first, second: shape (candidates,), the two ends of every pair that is allowed; each pair once.
        cost: shape (candidates,), 0 or more; told apart to a millionth.

    Returns:
        Pairs (smaller number first) in order. The same candidates in the same order give the same pairs, also where
        several pairings are equally good.

    Raises:
        ValueError: a cost that is negative or not finite.

    References:
        [1] Z. Galil, Efficient algorithms for finding maximum matching in graphs, ACM Computing Surveys 18 (1986) 23-38.
    """
    import rustworkx

    if len(cost) and not (np.isfinite(cost).all() and cost.min() >= 0):
        raise ValueError("every cost must be a finite number, 0 or more")
    steps = np.rint(cost * COST_STEPS).astype(np.int64)
    gain = (steps.max(initial=0) + 1 - steps).tolist()
    graph: rustworkx.PyGraph[int, int] = rustworkx.PyGraph(multigraph=False)
    graph.add_nodes_from(range(count))
    graph.add_edges_from(list(zip(first.tolist(), second.tolist(), gain, strict=True)))
    found = rustworkx.max_weight_matching(graph, max_cardinality=True, weight_fn=int)
    return sorted((min(pair), max(pair)) for pair in found)


def natural_order(text: str) -> tuple[Sequence[tuple[int, int | str]], str]:
    """A key by which "S2" comes before "S10"; the text itself decides between "S2" and "S02"."""
    import re

    parts = [part for part in re.split(r"([0-9]+)", text) if part]
    return [(0, int(part)) if part.isdecimal() and part.isascii() else (1, part) for part in parts], text
