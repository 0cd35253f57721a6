"""Which skis are of one kind: construction, binding state and length class, wherever skis are compared."""

from __future__ import annotations

from collections.abc import Iterable

from taptest.config.limits import LIMITS
from taptest.ski.facts import SkiFacts

Kind = tuple[str, bool, int]


def kinds(rows: Iterable[tuple[int, SkiFacts]]) -> dict[Kind, list[int]]:
    """Numbers of the skis, in order of length, by construction, whether with binding, and length class.

    Lengths no more than 30 mm from the next shorter one of the kind are one class, since each ski's own length is in
    its prediction.
    """
    wide: dict[tuple[str, bool], list[tuple[int, SkiFacts]]] = {}
    for number, row in rows:
        wide.setdefault((row.construction, row.binding_mass_kg > 0), []).append((number, row))
    found: dict[Kind, list[int]] = {}
    for (construction, with_binding), members in wide.items():
        length_class, before = 0, None
        for number, row in sorted(members, key=lambda each: each[1].length_m or 0.0):
            length_m = row.length_m or 0.0
            # A tenth of a millimetre, so that rounding of units does not split a class.
            length_class += before is not None and length_m - before > LIMITS.group.length_step_mm / 1000 + 1e-4
            before = length_m
            found.setdefault((construction, with_binding, length_class), []).append(number)
    return found
