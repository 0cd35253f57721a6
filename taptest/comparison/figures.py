"""One ski in the figures by which constructions and generations are compared, and pairs of skis as one unit each."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, expm1, log
from typing import Any, Literal, NamedTuple

import numpy as np

from taptest.beam.construction import Construction
from taptest.beam.inertia import Swing, swing
from taptest.core.errors import ConstructionError
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Family
from taptest.ski.record import Ski

Figure = Literal[
    "mass",
    "stiffness",
    "section_stiffness",
    "specific_stiffness",
    "first_mode",
    "first_mode_at_length",
    "damping",
    "swing_inertia",
    "balance",
]


class FigureKind(NamedTuple):
    """How a figure is written: key in documents, label in tables, name in sentences, unit, its size in SI, decimals.

    ``plain``: kept as it is; all others as logarithms, so that their differences are ratios.
    """

    key: str
    label: str
    words: str
    unit: str
    size: float
    decimals: int
    plain: bool = False

    @property
    def key_size(self) -> float:
        """Size of the key's unit in SI: tables have percent where documents have a ratio."""
        return 1.0 if self.key.endswith("_ratio") else self.size

    def value(self, kept: float) -> float:
        """From how it is kept back to SI."""
        return kept if self.plain else exp(kept)

    def percent(self, difference: float) -> float:
        """A difference of kept values in percent: of the other value, or of the length where it is plain."""
        return 100 * (difference if self.plain else expm1(difference))


KINDS: dict[Figure, FigureKind] = {
    "mass": FigureKind("mass_g", "mass", "mass", "g", 1e-3, 0),
    "stiffness": FigureKind("stiffness_n_per_mm", "rig stiffness", "stiffness on the rig", "N/mm", 1e3, 2),
    "section_stiffness": FigureKind(
        "section_stiffness_n_m2", "section stiffness", "stiffness of the section", "N m²", 1.0, 0
    ),
    "specific_stiffness": FigureKind(
        "specific_stiffness_n_m3_per_kg", "specific stiffness", "specific stiffness", "N m³/kg", 1.0, 0
    ),
    "first_mode": FigureKind("first_mode_hz", "first mode", "first mode", "Hz", 1.0, 1),
    "first_mode_at_length": FigureKind(
        "first_mode_at_length_hz", "  at one length", "first mode at one length", "Hz", 1.0, 1
    ),
    "damping": FigureKind("damping_ratio", "damping", "damping", "%", 1e-2, 2),
    "swing_inertia": FigureKind("swing_inertia_kg_m2", "swing inertia", "swing inertia", "kg m²", 1.0, 4),
    "balance": FigureKind("balance_percent", "balance, of length", "balance point", "%", 1e-2, 2, plain=True),
}


@dataclass(frozen=True)
class SkiFigures:
    """One ski. ``values`` by figure, natural logarithms of SI values (balance as a share of the length); only known ones.

    ``parts`` splits ln of the first mode into mass, stiffness, geometry and what is left, see `log_parts`; None where one of
    them is not known. ``loudest`` is the strongest placed mode, ``modes`` all placed ones in Hz. ``swing_tip`` grams that
    one at the tip counts for. ``shape_u`` relative standard uncertainty of the first mode that the construction file
    brings, the same in every ski of it. ``at_c`` the temperature that its frequencies belong to.
    """

    facts: SkiFacts
    group: str
    stratum: str
    unit: tuple[object, ...]
    values: dict[Figure, float]
    parts: tuple[float, float, float, float] | None
    loudest: tuple[Family, int] | None
    modes: dict[tuple[Family, int], float]
    swing_tip: float | None
    shape_u: float | None
    at_c: float | None


def ski_figures(
    ski: Ski,
    construction: Construction | None,
    *,
    group: str,
    stratum: str,
    unit: tuple[object, ...],
    length_m: float,
) -> SkiFigures:
    """The figures of one ski, as far as they are known.

    The first mode at a common length L0 is f (L/L0)²: what a ski of the same section would ring at. Specific stiffness is
    the bending stiffness of the middle section over the mass per length, EI/μ [N m³/kg].
    """
    row, prediction = ski.facts, ski.prediction
    values: dict[Figure, float | None] = {
        "mass": _log(row.mass_kg),
        "stiffness": _log(row.stiffness_n_per_m),
        "balance": None if row.balance_m is None or not row.length_m else row.balance_m / row.length_m,
    }
    if prediction is not None:
        values["section_stiffness"] = _log(prediction.ei_mid_n_m2)
        values["specific_stiffness"] = _log(prediction.ei_mid_n_m2 / prediction.mass_per_length_kg_per_m)
    found = ski.placed
    if found is not None and not found.ambiguous:
        values["first_mode"] = _log(found.first_hz)
        if found.first_hz is not None and row.length_m is not None:
            values["first_mode_at_length"] = log(found.first_hz * (row.length_m / length_m) ** 2)
        # Not weighted: modes of one ski are about equally damped, and different skis lack different ones.
        dampings = ski.evidence.damping.values
        values["damping"] = float(np.mean(dampings)) if dampings else None
    turned = None if construction is None else _swing(row, construction)
    values["swing_inertia"] = None if turned is None else log(turned.inertia_kg_m2)
    placed = [] if found is None or found.ambiguous else [mode for mode in found.modes if mode.order is not None]
    modes = {(mode.family, mode.order): mode.frequency_hz for mode in placed if mode.order is not None}
    loudest = max(placed, key=lambda mode: mode.level_db, default=None)
    return SkiFigures(
        facts=row,
        group=group,
        stratum=stratum,
        unit=unit,
        values={name: value for name, value in values.items() if value is not None},
        parts=log_parts(ski),
        loudest=None if loudest is None or loudest.order is None else (loudest.family, loudest.order),
        modes=modes,
        swing_tip=None if turned is None else turned.tip_factor,
        shape_u=None if construction is None else construction.frequency_u_rel(1),
        at_c=ski.evidence.at_c,
    )


def log_parts(ski: Ski) -> tuple[float, float, float, float] | None:
    """ln of the first mode as a sum: -½ ln mass, ½ ln stiffness, geometry, rest. SI units.

    f ∝ √(EI/m) exactly for one length and one shape, where EI in the middle goes as the stiffness on a rig of one span;
    geometry is what the prediction makes of length and shape (and of a binding), rest what the ski rings off its
    prediction: how its own stiffness and mass are spread, and errors.
    """
    prediction, found, mass_kg = ski.prediction, ski.placed, ski.facts.mass_kg
    if prediction is None or mass_kg is None or found is None or found.ambiguous or found.first_hz is None:
        return None
    mass, stiffness = -0.5 * log(mass_kg), 0.5 * log(prediction.ei_mid_n_m2)
    predicted = log(prediction.bending_hz[0])
    return mass, stiffness, predicted - mass - stiffness, log(found.first_hz) - predicted


def units(skis: Sequence[SkiFigures], figure: Figure) -> list[float]:
    """A figure of every unit, that is of a pair (the mean of its skis) or of a ski without one.

    The two skis of a pair are made and chosen alike and are no two independent witnesses.
    """
    return [float(mean) for mean in _means((ski.unit, ski.values.get(figure)) for ski in skis)]


def unit_parts(skis: Sequence[SkiFigures]) -> list[tuple[float, ...]]:
    """`log_parts` of every unit in which they are known."""
    return [tuple(mean.tolist()) for mean in _means((ski.unit, ski.parts) for ski in skis)]


def _means(values: Iterable[tuple[tuple[object, ...], Any]]) -> list[Any]:
    """Mean of what is known of each unit."""
    by_unit: dict[tuple[object, ...], list[Any]] = {}
    for unit, value in values:
        if value is not None:
            by_unit.setdefault(unit, []).append(value)
    return [np.mean(each, axis=0) for each in by_unit.values()]


def _swing(row: SkiFacts, construction: Construction) -> Swing | None:
    if row.length_m is None or row.mass_kg is None or row.mass_kg <= row.binding_mass_kg:
        return None
    bare_kg = row.mass_kg - row.binding_mass_kg
    balance_m = row.balance_m
    if row.binding_mass_kg > 0:
        # The prediction takes a binding without a stated place to sit in the middle, and so does this.
        place_m = row.length_m / 2 if row.binding_m is None else row.binding_m
        balance_m = None if balance_m is None else (row.mass_kg * balance_m - row.binding_mass_kg * place_m) / bare_kg
    try:
        return swing(construction, length_m=row.length_m, mass_kg=bare_kg, balance_m=balance_m, pivot_m=row.binding_m)
    except ConstructionError:
        return None


def _log(value: float | None) -> float | None:
    return None if value is None or value <= 0 else log(value)
