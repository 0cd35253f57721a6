"""One ski of a lot measured: its recordings read and analysed, its modes predicted and identified."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import hypot, log, sqrt

import numpy as np

from taptest.beam.construction import Construction
from taptest.beam.predict import Prediction, SkiMeasurements, check_plausible, predict
from taptest.config.corrections import Corrections
from taptest.config.settings import RigUncertainty, Settings
from taptest.core.errors import ConstructionError, RecordingError, shown
from taptest.identify.ladder import ON_THE_SKI, Identification, MatchSettings, PlacedMode, identify
from taptest.io.recording import read_recording
from taptest.signal.analysis import Analysis, Mode, analyse, combine_taps
from taptest.signal.taps import REASONS
from taptest.ski.facts import SkiFacts

# A tap moves a mode by less than 0.1 %, hanging anew by about that (common practice, no source).
_AGREEMENT = 0.005
# What is asked of a ladder.
_LEAST_LADDER = 4  # bending modes
_LEAST_SPANNED = 0.6  # of the orders between the lowest and the highest of them
_LEAST_LOUD = 0.4  # of the tones that are no more than so much below the loudest
_LOUD_DB = 15.0


@dataclass(frozen=True)
class MeasuredSki:
    """What judging needs to know of one ski.

    ``obstacles``: why it cannot be judged, empty when it can. ``unread``: inputs that could not be read. ``remarks``:
    values of the table that are possible but unusual. ``analyses``: what was heard in each recording, where it was asked
    to be kept.
    """

    row: SkiFacts
    construction_name: str | None = None
    prediction: Prediction | None = None
    identification: Identification | None = None
    taps_good: int = 0
    taps_found: int = 0
    obstacles: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    corrections: Corrections = field(default_factory=Corrections)
    analyses: tuple[Analysis, ...] = ()

    @property
    def first_u_hz(self) -> float | None:
        """Standard uncertainty of the first mode [Hz], the clock's included and no smaller than what was repeated."""
        found = self.identification
        if found is None or found.first_hz is None or found.first_u_hz is None:
            return None
        clock_hz, least_hz = (
            found.first_hz * u for u in (self.corrections.clock_u_rel, self.corrections.floor.frequency_u_rel)
        )
        return max(hypot(found.first_u_hz, clock_hz), least_hz)

    @property
    def left_c(self) -> float | None:
        """The temperature that its frequencies belong to: that of the table, or the reference they were corrected to."""
        law, given = self.corrections.temperature, self.row.temperature_c
        return law.reference_c if law is not None and given is not None and law.factor(given) is not None else given

    def placed(self) -> tuple[PlacedMode, ...]:
        """The modes that have a place, with uncertainties no smaller than what was repeated."""
        floor = self.corrections.floor
        return tuple(
            replace(
                mode,
                frequency_u_hz=max(mode.frequency_u_hz, floor.frequency_u_rel * mode.frequency_hz),
                damping_ratio_u=max(mode.damping_ratio_u, floor.damping_u_rel * mode.damping_ratio),
            )
            for mode in (() if self.identification is None else self.identification.modes)
            if mode.order is not None
        )

    @property
    def thin_ladder(self) -> str | None:
        """Why what was placed may be no ski's ladder at all; None where there is enough of it.

        Some of any tones lie near some modes. Of 200 simulated skis, half of them tapped near the edge, each had five bending
        modes or more placed, two thirds of the orders in between, and three in seven of its loudest tones. Random tones reach
        what is asked here once in 75 times, beeps, harmonics and drums never did (`tests/test_thin_ladder.py`).
        """
        if self.identification is None:
            return None
        orders = [mode.order for mode in self.identification.bending() if mode.order is not None]
        tones = self.identification.modes
        if not orders:
            return None
        loudest = max(mode.level_db for mode in tones)
        loud = [mode.order is not None for mode in tones if mode.level_db >= loudest - _LOUD_DB]
        gaps = len(orders) < _LEAST_SPANNED * (max(orders) - min(orders) + 1)
        # A slow pickup feels the lowest alone, but these it feels all.
        enough = len(orders) >= _LEAST_LADDER or min(orders) == 1
        if enough and not gaps and sum(loud) > _LEAST_LOUD * len(loud):
            return None
        listed = ", ".join(map(str, orders))
        return (
            f"of its {len(tones)} tones only bending mode{'s' if len(orders) > 1 else ''} {listed} could be placed, which other "
            "things may have by chance: look whether it is the right recording, and tap it again"
        )

    @property
    def taps_disagree(self) -> float | None:
        """Typical standard uncertainty of a mode in percent, where it is so large that the taps contradict."""
        if self.identification is None:
            return None
        u = [mode.frequency_u_hz / mode.frequency_hz for mode in self.identification.bending()]
        typical = float(np.median(u)) if u else 0.0
        return 100 * typical if typical > _AGREEMENT else None


def measurements_of(row: SkiFacts, rig: RigUncertainty | None = None) -> SkiMeasurements:
    """The row's measurements as the beam model takes them.

    Raises:
        ConstructionError: length, mass, stiffness or span is missing.
    """
    given = {"length": row.length_m, "mass": row.mass_kg, "stiffness": row.stiffness_n_per_m, "span": row.span_m}
    absent = [name for name, value in given.items() if value is None]
    if row.length_m is None or row.mass_kg is None or row.stiffness_n_per_m is None or row.span_m is None:
        raise ConstructionError(f"no {' or '.join(absent)} given, so nothing is predicted: fill it in")
    rig = rig or RigUncertainty()
    return SkiMeasurements(
        length_m=row.length_m,
        mass_kg=row.mass_kg,
        stiffness_n_per_m=row.stiffness_n_per_m,
        span_m=row.span_m,
        rig_centre_m=row.rig_centre_m,
        binding_mass_kg=row.binding_mass_kg,
        binding_m=row.binding_m,
        stiffness_u_rel=rig.stiffness_u_rel,
        mass_u_rel=rig.mass_u_rel,
    )


def measure_ski(
    row: SkiFacts,
    construction: Construction | ConstructionError,
    settings: Settings,
    rig: RigUncertainty,
    corrections: Corrections | None = None,
    keep_analyses: bool = False,
) -> MeasuredSki:
    """Everything that can be found out about one row; what stands in the way is said in the result, never raised.

    Args:
        row: one ski of a table.
        construction: the row's, or why it cannot be had.
        settings: for the analysis of its recordings.
        rig: uncertainties of stiffness and mass.
        corrections: what calibrations say.
        keep_analyses: leave what was heard in each recording with the result.
    """
    analyses, unread = [], []
    for path in row.recordings:
        try:
            analyses.append(analyse(read_recording(path), settings))
        except RecordingError as problem:
            unread.append(f"ski {shown(row.ski_id)} (line {row.line}): {problem}")
    return measure_heard(
        row, construction, analyses, settings, rig, corrections=corrections, unread=unread, keep_analyses=keep_analyses
    )


def measure_heard(
    row: SkiFacts,
    construction: Construction | ConstructionError,
    analyses: Sequence[Analysis],
    settings: Settings,
    rig: RigUncertainty,
    *,
    corrections: Corrections | None = None,
    unread: Sequence[str] = (),
    keep_analyses: bool = False,
) -> MeasuredSki:
    """The same from recordings that are analysed already; ``unread`` says which could not be."""
    corrections = corrections or Corrections()
    ski = replace(
        _predicted(MeasuredSki(row, corrections=corrections), construction, rig),
        unread=tuple(unread),
        taps_good=sum(len(each.accepted) for each in analyses),
        taps_found=sum(len(each.taps) for each in analyses),
        analyses=tuple(analyses) if keep_analyses else (),
    )
    trouble = _no_sound(analyses, unread)
    if trouble or ski.prediction is None:
        return replace(ski, obstacles=(*([trouble] if trouble else []), *ski.obstacles))
    found = [
        _identified(corrected(each, corrections.frequency_factor(row.temperature_c)), ski.prediction, settings)
        for each in analyses
        if each.accepted
    ]
    together = combine(found)
    if together.ambiguous:
        return replace(ski, identification=together, obstacles=(_ambiguous(together),))
    return replace(ski, identification=together)


def _predicted(ski: MeasuredSki, construction: Construction | ConstructionError, rig: RigUncertainty) -> MeasuredSki:
    try:
        if isinstance(construction, ConstructionError):
            raise construction
        ski = replace(ski, construction_name=construction.name)
        measurements = measurements_of(ski.row, rig)
        remarks = tuple(check_plausible(measurements))
        return replace(ski, prediction=predict(construction, measurements), remarks=remarks)
    except ConstructionError as problem:
        return replace(ski, obstacles=(str(problem),))


def _no_sound(analyses: Sequence[Analysis], unread: Sequence[str]) -> str | None:
    """Why the recordings say nothing about the ski, if they do not."""
    if not analyses and not unread:
        return "recording missing: tap the ski and name the file in the table"
    if not analyses:
        return "recording cannot be read: copy it again or record anew"
    taps = [tap for each in analyses for tap in each.taps]
    if any(tap.accepted for tap in taps):
        return None
    lost = f"; {len(unread)} more recordings cannot be read" if unread else ""
    if not taps:
        return f"no tap found in the recording{lost}: tap it again, closer to the microphone"
    counts = Counter(tap.reasons[0] for tap in taps)
    why = ", ".join(
        f"{reason} {counts[reason]}" for reason in sorted(counts, key=lambda r: (-counts[r], REASONS.index(r)))
    )
    return f"no good tap: {len(taps)} {'tap' if len(taps) == 1 else 'taps'} refused: {why}{lost}; tap it again"


def corrected(analysis: Analysis, factor: float) -> Analysis:
    """The same modes with frequencies times ``factor``, for clock and temperature; damping ratios as they were."""
    if factor == 1.0:
        return analysis
    modes = tuple(
        replace(mode, frequency_hz=mode.frequency_hz * factor, frequency_u_hz=mode.frequency_u_hz * factor)
        for mode in analysis.modes
    )
    return replace(analysis, modes=modes)


def _identified(analysis: Analysis, prediction: Prediction, settings: Settings) -> Identification:
    known = None if analysis.pickup is None else ON_THE_SKI
    return _placed_once(analysis.modes, prediction, settings.low_hz, analysis.high_hz(settings), known)


@lru_cache(maxsize=64)
def _placed_once(
    modes: tuple[Mode, ...], prediction: Prediction, low_hz: float, high_hz: float, known: MatchSettings | None
) -> Identification:
    """The same recording of the same ski is placed once: while it is tapped, each new tap asks for those before it again."""
    return identify(modes, prediction, low_hz=low_hz, high_hz=high_hz, settings=known)


def _ambiguous(found: Identification) -> str:
    if len(found.bending()) < 2:
        return "mode numbers ambiguous: too few bending modes heard"
    return f"mode numbers ambiguous: only {found.odds:.2g} to 1 against {found.runner_up}"


def combine(found: Sequence[Identification]) -> Identification:
    """One reading from several recordings of a ski: modes of the same place together, each recording one opinion.

    An ambiguous recording counts only when no other is clear. Frequencies and dampings are weighted means; where the
    recordings differ by more than their uncertainties allow, the uncertainty grows to cover it.
    """
    clear = [each for each in found if not each.ambiguous]
    if len(clear) < 2:
        return clear[0] if clear else max(found, key=lambda each: each.odds)
    best = max(clear, key=lambda each: len(each.bending()))
    places: dict[tuple[str, int | None], list[PlacedMode]] = {}
    for each in clear:
        for mode in each.modes:
            if mode.order is not None:
                places.setdefault((mode.family, mode.order), []).append(mode)
    strangers = [mode for mode in best.modes if mode.order is None]
    modes = sorted([*map(_combined, places.values()), *strangers], key=lambda mode: mode.frequency_hz)
    heard = next((mode for mode in modes if mode.family == "bending" and mode.order == 1), None)
    if heard is not None:
        first_hz, first_u_hz = heard.frequency_hz, heard.frequency_u_hz
    else:
        # What the inferred first modes do not know is the shape of the ski, the same in every recording.
        inferred = [each for each in clear if each.first_hz is not None and each.first_u_hz is not None]
        first_hz = sum(each.first_hz or 0.0 for each in inferred) / len(inferred)
        first_u_hz = max(each.first_u_hz or 0.0 for each in inferred)
    return replace(best, modes=tuple(modes), first_hz=first_hz, first_u_hz=first_u_hz, first_heard=heard is not None)


def _combined(modes: Sequence[PlacedMode]) -> PlacedMode:
    loudest = max(modes, key=lambda mode: mode.level_db)
    frequency_hz, frequency_u_hz = _weighted([(mode.frequency_hz, mode.frequency_u_hz) for mode in modes])
    damping_ratio, damping_ratio_u = _weighted([(mode.damping_ratio, mode.damping_ratio_u) for mode in modes])
    flags = tuple(flag for flag in loudest.flags if all(flag in mode.flags for mode in modes))
    return replace(
        loudest,
        frequency_hz=frequency_hz,
        frequency_u_hz=frequency_u_hz,
        damping_ratio=damping_ratio,
        damping_ratio_u=damping_ratio_u,
        probability=min(mode.probability for mode in modes),
        flags=flags,
        damping_ratio_limit=loudest.damping_ratio_limit if "room-limited" in flags else None,
    )


def _weighted(measured: Sequence[tuple[float, float]]) -> tuple[float, float]:
    if len(measured) == 1:
        return measured[0]
    values = np.array([value for value, _ in measured])
    variances = np.maximum(np.array([u for _, u in measured]), 1e-6 * values) ** 2
    weight = 1 / variances
    mean = float((weight * values).sum() / weight.sum())
    return combine_taps(values, variances, mean, 1 / sqrt(float(weight.sum())))


def log_deviations(ski: MeasuredSki) -> list[tuple[int, float, float, float]]:
    """(order, ln(measured/predicted), its u as measured, u of the predicted shape) of the placed bending modes."""
    if ski.identification is None or ski.prediction is None:
        return []
    return [
        (
            mode.order,
            log(mode.frequency_hz / mode.predicted_hz),
            max(mode.frequency_u_hz / mode.frequency_hz, ski.corrections.floor.frequency_u_rel),
            ski.prediction.bending_u_rel[mode.order - 1],
        )
        for mode in sorted(ski.identification.bending(), key=lambda mode: mode.frequency_hz)
        if mode.order is not None and mode.predicted_hz is not None
    ]


def log_dampings(ski: MeasuredSki) -> list[tuple[int, float, float]]:
    """(order, ln(damping ratio), its u) of the placed bending modes whose damping the room does not limit."""
    if ski.identification is None:
        return []
    return [
        (
            mode.order,
            log(mode.damping_ratio),
            max(mode.damping_ratio_u / mode.damping_ratio, ski.corrections.floor.damping_u_rel),
        )
        for mode in ski.identification.bending()
        if mode.order is not None and mode.damping_ratio > 0 and "room-limited" not in mode.flags
    ]


def bare_mass_per_length(row: SkiFacts) -> float | None:
    """ln of the ski's own mass per length in kg/m, without its binding; None where the table does not say."""
    if row.mass_kg is None or not row.length_m or row.mass_kg <= row.binding_mass_kg:
        return None
    return log((row.mass_kg - row.binding_mass_kg) / row.length_m)
