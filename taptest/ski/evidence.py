"""What judges a ski: its modes against their prediction, its damping, mass and stiffness, as numbers with uncertainties.

Here, and nowhere else, uncertainties are raised to what a study of repeatability found and the clock's is added. Frequencies are
corrected for clock and temperature before they are placed on the ladder (`taptest.identify.measure`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot, log
from statistics import median
from typing import Literal

from taptest.beam.predict import Prediction
from taptest.config.corrections import Corrections
from taptest.config.limits import LIMITS
from taptest.core.messages import Message, message
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Identification, PlacedMode
from taptest.stats.two_way import Profile


@dataclass(frozen=True)
class Evidence:
    """What judges one ski; of ratios natural logarithms.

    Attributes:
        modes: those that have a place, by frequency.
        deviations: ln(measured/predicted) by bending order, with the uncertainty of the measurement.
        shape_u: that of the prediction's shape, for each of them.
        damping: ln(damping ratio) by bending order, where the room does not limit it.
        scale_u: relative standard uncertainty that all its predictions share (rig, scale and clock).
        least_shift_u: what hanging and tapping anew was found to move the shift by.
        mass: ln of the bare ski's mass per length in kg/m; None where unknown.
        stiffness: ln of its bending stiffness in the middle in N m²; None where unknown.
        first_mode_hz: first bending mode, with its standard uncertainty ``first_mode_u_hz`` and ``first_mode_source``.
        at_c: the temperature that its frequencies belong to: that of the table, or the one they were corrected to.
        uncertain_percent: typical standard uncertainty of a mode, where it is so large that the taps contradict each other.
        too_few_modes: why what was placed may be no ski's ladder at all.
    """

    modes: tuple[PlacedMode, ...] = ()
    deviations: Profile = Profile()
    shape_u: tuple[float, ...] = ()
    damping: Profile = Profile()
    scale_u: float = 0.0
    least_shift_u: float = 0.0
    mass: float | None = None
    stiffness: float | None = None
    first_mode_hz: float | None = None
    first_mode_u_hz: float | None = None
    first_mode_source: Literal["heard", "inferred"] | None = None
    at_c: float | None = None
    uncertain_percent: float | None = None
    too_few_modes: Message | None = None

    def bending(self) -> tuple[PlacedMode, ...]:
        """The placed bending modes, by frequency."""
        return tuple(mode for mode in self.modes if mode.family == "bending")


def evidence_of(
    facts: SkiFacts, placed: Identification | None, prediction: Prediction | None, corrections: Corrections
) -> Evidence:
    """Everything that follows from facts, placed modes and prediction; what is missing of them is missing of it."""
    law, given = corrections.temperature, facts.temperature_c
    common = Evidence(
        mass=_bare_mass_per_length(facts),
        stiffness=None if prediction is None else log(prediction.ei_mid_n_m2),
        scale_u=hypot(0.0 if prediction is None else prediction.scale_u_rel, corrections.clock_u_rel),
        least_shift_u=corrections.floor.shift_u_rel,
        at_c=law.reference_c if law is not None and given is not None and law.factor(given) is not None else given,
    )
    if placed is None:
        return common
    modes = tuple(_floored(mode, corrections) for mode in placed.modes if mode.order is not None)
    bending = [mode for mode in modes if mode.family == "bending"]
    predicted = [] if prediction is None else [mode for mode in bending if mode.predicted_hz is not None]
    damped = [mode for mode in bending if mode.damping_ratio > 0 and "room-limited" not in mode.flags]
    first_u_hz = None
    if placed.first_hz is not None and placed.first_u_hz is not None:
        clock_hz, least_hz = (placed.first_hz * u for u in (corrections.clock_u_rel, corrections.floor.frequency_u_rel))
        first_u_hz = max(hypot(placed.first_u_hz, clock_hz), least_hz)
    source: Literal["heard", "inferred"] = "heard" if placed.first_heard else "inferred"
    return replace(
        common,
        modes=modes,
        deviations=Profile(
            tuple(mode.order or 0 for mode in predicted),
            tuple(log(mode.frequency_hz / (mode.predicted_hz or 1.0)) for mode in predicted),
            tuple(mode.frequency_u_hz / mode.frequency_hz for mode in predicted),
        ),
        shape_u=tuple(prediction.bending_u_rel[(mode.order or 1) - 1] for mode in predicted) if prediction else (),
        damping=Profile(
            tuple(mode.order or 0 for mode in damped),
            tuple(log(mode.damping_ratio) for mode in damped),
            tuple(mode.damping_ratio_u / mode.damping_ratio for mode in damped),
        ),
        first_mode_hz=placed.first_hz,
        first_mode_u_hz=first_u_hz,
        first_mode_source=None if placed.first_hz is None else source,
        uncertain_percent=_uncertain_percent(placed),
        too_few_modes=_too_few_modes(placed),
    )


def _floored(mode: PlacedMode, corrections: Corrections) -> PlacedMode:
    floor = corrections.floor
    return replace(
        mode,
        frequency_u_hz=max(mode.frequency_u_hz, floor.frequency_u_rel * mode.frequency_hz),
        damping_ratio_u=max(mode.damping_ratio_u, floor.damping_u_rel * mode.damping_ratio),
    )


def _bare_mass_per_length(facts: SkiFacts) -> float | None:
    if facts.mass_kg is None or not facts.length_m or facts.mass_kg <= facts.binding_mass_kg:
        return None
    return log((facts.mass_kg - facts.binding_mass_kg) / facts.length_m)


def _uncertain_percent(placed: Identification) -> float | None:
    u = [mode.frequency_u_hz / mode.frequency_hz for mode in placed.bending()]
    typical = median(u) if u else 0.0
    return 100 * typical if typical > LIMITS.ladder.most_uncertain else None


def _too_few_modes(placed: Identification) -> Message | None:
    """Some of any tones lie near some modes: what is asked of a ladder before a ski may pass or fail by it.

    Of 200 simulated skis, half of them tapped near the edge, each had five bending modes or more placed, two thirds of the orders
    in between, and three in seven of its loudest tones. Random tones reach what is asked here once in 75 times, beeps, harmonics
    and drums never did (`tests/simulated/test_thin_ladder.py`).
    """
    limits = LIMITS.ladder
    orders = [mode.order for mode in placed.bending() if mode.order is not None]
    if not orders:
        return None
    loudest = max(mode.level_db for mode in placed.modes)
    loud = [mode.order is not None for mode in placed.modes if mode.level_db >= loudest - limits.loud_db]
    gaps = len(orders) < limits.least_spanned * (max(orders) - min(orders) + 1)
    # A slow pickup feels the lowest alone, but these it feels all.
    enough = len(orders) >= limits.least_modes or min(orders) == 1
    if enough and not gaps and sum(loud) > limits.least_loud * len(loud):
        return None
    return message(
        "too-few-modes",
        tones=len(placed.modes),
        orders=tuple(orders),
        listed=", ".join(map(str, orders)),
        plural="s" if len(orders) > 1 else "",
    )
