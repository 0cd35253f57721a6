"""The best pairing of a pile: as many pairs as possible, and of all such pairings the one with the least total cost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

# Whole numbers, so that the matching is exact and does not depend on how sums are rounded.
COST_STEPS = 1_000_000


Index = NDArray[np.int64]
Flags = NDArray[np.bool_]


def best_pairing(count: int, first: Index, second: Index, cost: NDArray[np.float64]) -> list[tuple[int, int]]:
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
    pairs = []
    # What no pair connects has nothing to do with each other, and small graphs are solved far faster than large ones.
    for members, edges in _separate(count, first, second):
        gain = (steps[edges].max(initial=0) + 1 - steps[edges]).tolist()
        one, other = (np.searchsorted(members, end[edges]).tolist() for end in (first, second))
        graph: rustworkx.PyGraph[int, int] = rustworkx.PyGraph(multigraph=False)
        graph.add_nodes_from(members.tolist())
        graph.add_edges_from(list(zip(one, other, gain, strict=True)))
        found = rustworkx.max_weight_matching(graph, max_cardinality=True, weight_fn=int)
        pairs += [sorted((int(members[i]), int(members[j]))) for i, j in found]
    return sorted((i, j) for i, j in pairs)


def nearest_only(count: int, first: Index, second: Index, cost: NDArray[np.float64], partners: int) -> Flags:
    """Marks, shape (candidates,), of the pairs that are among the `partners` cheapest of one of their two ends."""
    kept = np.zeros(len(cost), dtype=bool)
    ends = np.concatenate([first, second])
    other, edge = np.concatenate([second, first]), np.tile(np.arange(len(cost)), 2)
    order = np.lexsort((other, np.tile(cost, 2), ends))
    start = np.searchsorted(ends[order], np.arange(count))
    rank = np.arange(len(order)) - start[ends[order]]
    kept[edge[order][rank < partners]] = True
    return kept


def _separate(count: int, first: Index, second: Index) -> Iterator[tuple[Index, Index]]:
    """Things and candidates, as ascending numbers, of every part of the graph that has candidates."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    graph = coo_array((np.ones(len(first)), (first, second)), shape=(count, count))
    parts, part = connected_components(graph, directed=False) if count else (0, np.zeros(0, dtype=np.int64))
    of_edge = part[first]
    for number in range(parts):
        edges = np.flatnonzero(of_edge == number)
        if len(edges):
            yield np.flatnonzero(part == number), edges


def natural_order(text: str) -> tuple[Sequence[tuple[int, int | str]], str]:
    """A key by which "S2" comes before "S10"; the text itself decides between "S2" and "S02"."""
    import re

    parts = [part for part in re.split(r"([0-9]+)", text) if part]
    return [(0, int(part)) if part.isdecimal() and part.isascii() else (1, part) for part in parts], text
