"""Some skis of a lot, chosen by their ids."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from taptest.core.errors import LotError, shown
from taptest.ski.facts import SkiFacts
from taptest.tables.lot import Lot

_SOME = 6


def select_skis(lot: Lot, names: Sequence[str]) -> tuple[SkiFacts, ...]:
    """The skis of these ids, in the order of the names and as often as they are named; all of the lot for no names.

    An id is taken as it is written, or without regard to capitals where only one ski is then meant.

    Raises:
        LotError: no ski has such an id; every such name at once, each with the nearest id.
    """
    if not names:
        return lot.rows
    exact = {row.ski_id: row for row in lot.rows}
    folded: dict[str, list[SkiFacts]] = {}
    for row in lot.rows:
        folded.setdefault(row.ski_id.casefold(), []).append(row)
    chosen, unknown = [], []
    for name in names:
        alike = folded.get(name.strip().casefold(), [])
        if name in exact:
            chosen.append(exact[name])
        elif len(alike) == 1:
            chosen.append(alike[0])
        else:
            near = difflib.get_close_matches(name, exact, n=1)
            guess = f" (did you mean {shown(near[0])}?)" if near else ""
            unknown.append(f"'{shown(name)}'{guess}")
    if unknown:
        known = ", ".join(shown(row.ski_id, 20) for row in lot.rows[:_SOME])
        more = ", ..." if len(lot.rows) > _SOME else ""
        raise LotError(f"{shown(lot.path.name)}: no ski {', '.join(unknown)}; its ids are {known or 'none'}{more}")
    return tuple(chosen)
