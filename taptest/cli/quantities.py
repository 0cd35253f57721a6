"""Values with units as people write them on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from taptest.config.limits import LIMITS
from taptest.core.errors import UnitError, shown

if TYPE_CHECKING:
    from taptest.core.units import Dimension

# Base units. A plain number outside was meant in another unit; what no unit makes plausible the library refuses.
_PLAUSIBLE: dict[str, tuple[float, float]] = {
    "length": LIMITS.tables.place_m,
    "mass": (LIMITS.tables.binding_mass_kg[0], LIMITS.tables.mass_kg[1]),
    "stiffness": (LIMITS.tables.stiffness_n_per_m[0], LIMITS.tables.flattening_n_per_m[1]),
}


def metres(option: str, text: str) -> float:
    """A length in metres; without a unit it is in mm."""
    return quantity(option, text, "length")


def quantity(option: str, text: str, dimension: Dimension) -> float:
    """A value with its unit, in the base unit; without a unit in mm, g or N/mm. Wrong usage where it cannot be read."""
    from taptest.core.units import UNITS, parse_number

    units = UNITS[dimension]
    try:
        value, written = parse_number(text)
    except UnitError as problem:
        raise typer.BadParameter(f"found '{shown(text)}', {problem}", param_hint=option) from None
    named = [unit for unit in units if unit.symbol.casefold() == "".join(written.split()).casefold()]
    if written and not named:
        accepted = ", ".join(unit.symbol for unit in units)
        raise typer.BadParameter(
            f"found '{shown(text)}': '{shown(written)}' is not a unit of {dimension}; write one of {accepted}, or no "
            f"unit for {units[0].symbol}",
            param_hint=option,
        )
    base = (named or units)[0].to_base(value)
    least, most = _PLAUSIBLE[dimension]
    meant = next((unit for unit in units if least <= unit.to_base(value) <= most), None)
    if value and not written and not least <= base <= most and meant is not None:
        raise typer.BadParameter(
            f"found '{shown(text)}', taken in {units[0].symbol}, but it looks like {meant.plural or meant.symbol}; "
            f"write '{value:g} {meant.symbol}' or {units[0].from_base(meant.to_base(value)):g}",
            param_hint=option,
        )
    return base
