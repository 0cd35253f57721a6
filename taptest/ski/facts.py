"""What is known of a ski before it is heard: one row of a table, in SI units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal


@dataclass(frozen=True)
class SkiFacts:
    """One ski, in SI units. Only its id must be known; what is not known is None, or empty.

    Attributes:
        ski_id: number on the ski.
        pair_id: what both skis of a pair have in common.
        side: of the pair.
        construction: name or path of a construction file.
        generation: by which skis are compared.
        length_m: length of the ski.
        mass_kg: mass as hung, with the binding if there is one.
        stiffness_n_per_m: load over deflection in the middle between two supports.
        span_m: distance between the supports.
        rig_centre_m: the load, half-way between the supports, from the tail.
        balance_m: balance point from the tail.
        binding_mass_kg: the part of the mass that is the binding; 0 for a bare ski.
        binding_m: middle of the binding from the tail.
        temperature_c: of the ski when it was tapped.
        recordings: files in which it is tapped.
        note: free text.
        line: of the table; 0 where there is none.
        other: what the table says in columns that the format does not know, by their headings.
    """

    ski_id: str
    pair_id: str | None = None
    side: Literal["L", "R"] | None = None
    construction: str = ""
    generation: str | None = None
    length_m: float | None = None
    mass_kg: float | None = None
    stiffness_n_per_m: float | None = None
    span_m: float | None = None
    rig_centre_m: float | None = None
    balance_m: float | None = None
    binding_mass_kg: float = 0.0
    binding_m: float | None = None
    temperature_c: float | None = None
    recordings: tuple[Path, ...] = ()
    note: str = ""
    line: int = 0
    other: Mapping[str, str] = field(default_factory=dict, hash=False)
