"""What is known of a ski before it is heard: one row of a table, in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal


@dataclass(frozen=True)
class SkiFacts:
    """One ski of the table, in SI units; None where the table says nothing.

    ``length_m``, ``mass_kg`` (as hung), ``stiffness_n_per_m`` and ``span_m`` (two-support bending) may be None, and
    ``construction`` empty, in a row with a recording: that ski can be analysed but not predicted.
    """

    ski_id: str
    pair_id: str | None
    side: Literal["L", "R"] | None
    construction: str
    generation: str | None
    length_m: float | None
    mass_kg: float | None
    stiffness_n_per_m: float | None
    span_m: float | None
    rig_centre_m: float | None
    balance_m: float | None
    binding_mass_kg: float
    binding_m: float | None
    temperature_c: float | None
    recordings: tuple[Path, ...]
    note: str
    line: int
