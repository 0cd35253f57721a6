"""Values with units as people write them on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from taptest.core.errors import UnitError, shown

if TYPE_CHECKING:
    from taptest.core.units import Dimension


def metres(option: str, text: str) -> float:
    """A length in metres; without a unit it is in mm."""
    return quantity(option, text, "length")


def quantity(option: str, text: str, dimension: Dimension) -> float:
    """A value with its unit, in the base unit; without a unit in mm, g or N/mm. Wrong usage where it cannot be read."""
    from taptest.config.limits import LIMITS
    from taptest.core.units import UNITS, parse_with_unit

    tables = LIMITS.tables
    # Base units. A plain number outside was meant in another unit; what no unit makes plausible the library refuses.
    least, most = {
        "length": tables.place_m,
        "mass": (tables.binding_mass_kg[0], tables.mass_kg[1]),
        "stiffness": (tables.stiffness_n_per_m[0], tables.flattening_n_per_m[1]),
    }[dimension]
    units = UNITS[dimension]
    try:
        value, unit = parse_with_unit(text, units)
    except UnitError as problem:
        raise typer.BadParameter(f"found '{shown(text)}', {problem}", param_hint=option) from None
    base = unit.to_base(value)
    meant = next((unit for unit in units if least <= unit.to_base(value) <= most), None)
    unit_written = not text.strip()[-1:].isdigit()
    if value and not unit_written and not least <= base <= most and meant is not None:
        raise typer.BadParameter(
            f"found '{shown(text)}', taken in {units[0].symbol}, but it looks like {meant.plural or meant.symbol}; "
            f"write '{value:g} {meant.symbol}' or {units[0].from_base(meant.to_base(value)):g}",
            param_hint=option,
        )
    return base
