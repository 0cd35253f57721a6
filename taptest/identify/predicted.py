"""Predicted natural frequencies of single skis and of a whole lot, and what a change of mass or stiffness would do."""

from dataclasses import dataclass

from taptest.beam.construction import Construction, load_construction
from taptest.beam.predict import (
    FrequencyChange,
    Prediction,
    SkiMeasurements,
    check_plausible,
    predict,
    what_if,
)
from taptest.config.settings import RigUncertainty
from taptest.core.errors import ConstructionError, shown
from taptest.core.messages import Message, message
from taptest.core.results import Result
from taptest.ski.facts import SkiFacts
from taptest.tables.lot import Lot

BENDING_ORDERS = 8
TORSION_ORDERS = 5


def measurements_of(facts: SkiFacts, rig: RigUncertainty | None = None) -> SkiMeasurements:
    """The measurements of a ski as the beam model takes them.

    Raises:
        ConstructionError: length, mass, stiffness or span is missing.
    """
    if facts.length_m is None or facts.mass_kg is None or facts.stiffness_n_per_m is None or facts.span_m is None:
        raise ConstructionError(str(lacking(facts)))
    rig = rig or RigUncertainty()
    return SkiMeasurements(
        length_m=facts.length_m,
        mass_kg=facts.mass_kg,
        stiffness_n_per_m=facts.stiffness_n_per_m,
        span_m=facts.span_m,
        rig_centre_m=facts.rig_centre_m,
        binding_mass_kg=facts.binding_mass_kg,
        binding_m=facts.binding_m,
        stiffness_u_rel=rig.stiffness_u_rel,
        mass_u_rel=rig.mass_u_rel,
    )


def lacking(facts: SkiFacts) -> Message:
    """What a prediction needs and the facts do not say."""
    given = {
        "length": facts.length_m,
        "mass": facts.mass_kg,
        "stiffness": facts.stiffness_n_per_m,
        "span": facts.span_m,
    }
    return message("prediction-lacks", missing=" or ".join(name for name, value in given.items() if value is None))


@dataclass(frozen=True)
class Change:
    """A change of the ski (not of its binding) to try out, in percent."""

    mass_percent: float = 0.0
    stiffness_percent: float = 0.0

    def __bool__(self) -> bool:
        return bool(self.mass_percent or self.stiffness_percent)


@dataclass(frozen=True)
class PredictedSki(Result):
    """One ski with its predicted modes; the ``effect`` of a ``change`` asked for, and ``warnings``."""

    ski_id: str | None
    construction: Construction
    measurements: SkiMeasurements
    prediction: Prediction
    change: Change
    effect: FrequencyChange | None
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class LotPrediction(Result):
    """Every ski of a lot that can be predicted, in the order of the table, and why the ``refused`` others cannot."""

    skis: tuple[PredictedSki, ...]
    refused: tuple[str, ...]


def predict_ski(
    construction: Construction,
    measurements: SkiMeasurements,
    *,
    change: Change = Change(),
    ski_id: str | None = None,
) -> PredictedSki:
    """Predicted modes of one ski.

    Raises:
        ConstructionError: measurements from which nothing can be predicted.
    """
    warnings = check_plausible(measurements)
    effect = None
    if change:
        effect = what_if(
            construction,
            measurements,
            mass_percent=change.mass_percent,
            stiffness_percent=change.stiffness_percent,
            bending_orders=BENDING_ORDERS,
        )
    prediction = predict(construction, measurements, bending_orders=BENDING_ORDERS, torsion_orders=TORSION_ORDERS)
    return PredictedSki(ski_id, construction, measurements, prediction, change, effect, tuple(warnings))


def predict_lot(lot: Lot, *, change: Change = Change(), rig: RigUncertainty | None = None) -> LotPrediction:
    """Predicted modes of every ski of a table that gives enough for it; relative construction files start from it."""
    skis, refused = [], []
    constructions: dict[str, Construction] = {}
    for row in lot.rows:
        try:
            if row.construction not in constructions:
                constructions[row.construction] = load_construction(row.construction, base=lot.path.parent)
            skis.append(
                predict_ski(
                    constructions[row.construction], measurements_of(row, rig), change=change, ski_id=row.ski_id
                )
            )
        except ConstructionError as problem:
            column = "" if row.construction in constructions else ", column construction"
            refused.append(f"{shown(lot.path.name, 100)} line {row.line}{column}, ski {shown(row.ski_id)}: {problem}")
    return LotPrediction(tuple(skis), tuple(refused))
