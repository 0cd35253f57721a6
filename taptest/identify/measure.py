"""One ski measured, in stages: its recordings heard, its modes predicted, and each resonance given its place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache
from math import sqrt

import numpy as np

from taptest.beam.construction import Construction
from taptest.beam.predict import Prediction, check_plausible, predict
from taptest.config.settings import Settings
from taptest.core.errors import ConstructionError, RecordingError
from taptest.core.messages import Message, Subject, message
from taptest.identify.ladder import ON_THE_SKI, MatchSettings, identify
from taptest.identify.predicted import lacking, measurements_of
from taptest.io.recording import Recording, read_recording
from taptest.signal.analysis import Analysis, Mode, analyse, combine_taps
from taptest.signal.taps import REASONS
from taptest.ski.facts import SkiFacts
from taptest.ski.modes import Identification, PlacedMode
from taptest.ski.record import Ski

Keep = Callable[[Recording], object]


def measure_ski(
    facts: SkiFacts,
    construction: Construction | ConstructionError | None,
    settings: Settings,
    keep_analyses: bool = False,
    keep: Keep | None = None,
) -> Ski:
    """Everything that can be found out about one ski; what stands in the way is said in the record, never raised.

    Args:
        facts: one row of a table.
        construction: the one that it names, why that cannot be had, or None where it names none.
        settings: for the analysis of its recordings.
        keep_analyses: leave what was heard in each recording in the record, about 0.1 MB each.
        keep: called with each recording, which is not read again for it; what it returns is ``kept`` in the record.
    """
    analyses: list[Analysis] = []
    unread: list[Message] = []
    kept: list[object] = []
    for path in facts.recordings:
        try:
            recording = read_recording(path)
            analyses.append(analyse(recording, settings))
            if keep is not None:
                kept.append(keep(recording))
        except RecordingError as problem:
            about = Subject(ski=facts.ski_id, file=path.name)
            unread.append(message("recording-unread", about, line=facts.line, problem=str(problem)))
    ski = measure_heard(facts, construction, analyses, settings, unread=unread)
    return replace(ski, analyses=ski.analyses if keep_analyses else (), kept=tuple(kept))


def measure_heard(
    facts: SkiFacts,
    construction: Construction | ConstructionError | None,
    analyses: Sequence[Analysis],
    settings: Settings,
    *,
    unread: Sequence[Message] = (),
) -> Ski:
    """The same from recordings that are analysed already; ``unread`` says which could not be."""
    return placed(predicted(heard(facts, analyses, settings, unread=unread), construction, settings), settings)


def heard(facts: SkiFacts, analyses: Sequence[Analysis], settings: Settings, *, unread: Sequence[Message] = ()) -> Ski:
    """The first stage: a ski with what was heard of it."""
    ski = Ski(
        facts,
        taps_good=sum(len(each.accepted) for each in analyses),
        taps_found=sum(len(each.taps) for each in analyses),
        messages=tuple(unread),
        corrections=settings.corrections,
        analyses=tuple(analyses),
    )
    trouble = _nothing_heard(ski, len(unread))
    return ski if trouble is None else _told(ski, trouble)


def predicted(ski: Ski, construction: Construction | ConstructionError | None, settings: Settings) -> Ski:
    """The second stage: with the modes that stiffness and mass predict, as far as they are known."""
    if construction is None:
        return _told(ski, message("no-construction"))
    if isinstance(construction, ConstructionError):
        return _told(ski, message("construction-unusable", problem=str(construction)))
    ski = replace(ski, construction_name=construction.name)
    try:
        measurements = measurements_of(ski.facts, settings.rig)
    except ConstructionError:
        return _told(ski, lacking(ski.facts))
    try:
        remarks = [message("unusual-value", problem=each) for each in check_plausible(measurements)]
        return replace(_told(ski, *remarks), prediction=predict(construction, measurements))
    except ConstructionError as problem:
        return _told(ski, message("construction-unusable", problem=str(problem)))


def placed(ski: Ski, settings: Settings) -> Ski:
    """The third stage: with every resonance in its place on the ladder, corrected for clock and temperature before."""
    if ski.prediction is None or not any(each.accepted for each in ski.analyses):
        return ski
    factor = ski.corrections.frequency_factor(ski.facts.temperature_c)
    found = [_identified(corrected(each, factor), ski.prediction, settings) for each in ski.analyses if each.accepted]
    together = combine(found)
    ski = replace(ski, placed=together)
    if not together.ambiguous:
        return ski
    if len(together.bending()) < 2:
        return _told(ski, message("ambiguous-few-modes"))
    return _told(ski, message("ambiguous", odds=together.odds, runner_up=together.runner_up))


def _told(ski: Ski, *messages: Message) -> Ski:
    return replace(ski, messages=(*ski.messages, *(each.about(ski=ski.ski_id) for each in messages)))


def _nothing_heard(ski: Ski, unread: int) -> Message | None:
    """Why the recordings say nothing about the ski, if they do not."""
    if not ski.analyses:
        return message("recording-unusable" if unread else "no-recording")
    if ski.taps_good:
        return None
    lost = f"; {unread} more recordings cannot be read" if unread else ""
    taps = [tap for each in ski.analyses for tap in each.taps]
    if not taps:
        return message("no-tap", lost=lost)
    counts = Counter(tap.reasons[0] for tap in taps)
    worst_first = sorted(counts, key=lambda reason: (-counts[reason], REASONS.index(reason)))
    why = ", ".join(f"{reason} {counts[reason]}" for reason in worst_first)
    return message("no-good-tap", taps=f"{len(taps)} {'tap' if len(taps) == 1 else 'taps'}", why=why, lost=lost)


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
