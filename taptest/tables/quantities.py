"""The measured columns of a lot: how they are called, in which units, and which values a ski can have."""

import re
from dataclasses import dataclass

from taptest.core.errors import UnitError
from taptest.core.units import UNITS, Dimension, Unit, unit_of

TEXT_COLUMNS = ("ski_id", "pair_id", "side", "construction", "generation", "recording", "note")


@dataclass(frozen=True)
class Quantity:
    """A measured column: accepted values in its base unit (m, kg, N/m, °C)."""

    dimension: Dimension
    least: float
    most: float
    zero_accepted: bool = False


QUANTITIES = {
    "length": Quantity("length", 0.3, 3.0),
    "mass": Quantity("mass", 0.05, 5.0),
    "stiffness": Quantity("stiffness", 200.0, 40_000.0),
    "span": Quantity("length", 0.3, 3.0),
    "rig_centre": Quantity("length", 0.1, 3.0),
    "balance": Quantity("length", 0.1, 3.0),
    "binding_mass": Quantity("mass", 0.005, 2.0, zero_accepted=True),
    "binding": Quantity("length", 0.05, 3.0),
    "temperature": Quantity("temperature", -50.0, 60.0),
}
_FLATTENING_N_PER_M = (40_000.0, 1_000_000.0)


def heading_for(name: str) -> str:
    """The heading of a new column: the name itself, or a quantity's with the unit that tables use by default."""
    return accepted_headings(name)[0] if name in QUANTITIES else name


def accepted_headings(quantity: str) -> list[str]:
    """A quantity with each of its units, the usual one first."""
    return [f"{quantity}_{unit.suffix}" for unit in UNITS[QUANTITIES[quantity].dimension]]


def recognise_heading(heading: str) -> tuple[str, Unit | None] | None:
    """The column that a heading names, and its unit; "Length (mm)" and "stiffness N/mm" are taken as well."""
    name = re.sub(r"[\s()\[\]-]+", "_", heading.strip().casefold().replace("/", "_per_").replace("°", "")).strip("_")
    if name in TEXT_COLUMNS:
        return name, None
    for quantity, limits in QUANTITIES.items():
        suffix = name.removeprefix(f"{quantity}_")
        unit = unit_of(limits.dimension, suffix) if suffix != name else None
        if unit is not None:
            return quantity, unit
    return None


def check_range(name: str, value: float, unit: Unit) -> None:
    """Whether a quantity, given in base units, is one that a table accepts; ``unit`` is the one it was written in.

    Raises:
        UnitError: it is not, and why, with the unit that was meant if one fits.
    """
    limits = QUANTITIES[name]
    if _is_flattening(name, value):
        raise UnitError(
            "which looks like flattening stiffness (load against camber closing on a flat plate): it is stiffened by "
            "contact and cannot predict a frequency",
            f"give two-support bending stiffness (below {unit.from_base(limits.most):.6g} {unit.symbol}) with its span",
        )
    if limits.least <= value <= limits.most or (limits.zero_accepted and value == 0.0):
        return
    other = unit_meant(name, value, unit)
    if other is not None:
        meant = unit.from_base(other.to_base(unit.from_base(value)))
        raise UnitError(
            f"which looks like {other.plural or other.symbol}; accepted are {_range(limits, unit)}",
            f"rename the column to {name}_{other.suffix} or write {meant:.6g}",
        )
    raise UnitError(f"which is out of range; accepted are {_range(limits, unit)}", "measure or type it again")


def unit_meant(name: str, value: float, unit: Unit) -> Unit | None:
    """The other unit in which the same number would be accepted, if there is one; ``value`` in base units."""
    limits = QUANTITIES[name]
    if _is_flattening(name, value):
        return None
    written = unit.from_base(value)
    return next(
        (
            other
            for other in UNITS[limits.dimension]
            if other != unit and limits.least <= other.to_base(written) <= limits.most
        ),
        None,
    )


def _is_flattening(name: str, value: float) -> bool:
    return name == "stiffness" and _FLATTENING_N_PER_M[0] <= value <= _FLATTENING_N_PER_M[1]


def units_of(name: str) -> tuple[Unit, ...]:
    """The units a quantity of the table may be written in, the usual one first."""
    return UNITS[QUANTITIES[name].dimension]


def _range(limits: Quantity, unit: Unit) -> str:
    return f"{unit.from_base(limits.least):.6g} to {unit.from_base(limits.most):.6g} {unit.symbol}"
