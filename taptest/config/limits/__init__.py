"""Every figure that decides about a ski, a tap, a pair or a measurement, in one place.

Each field says in its metadata what it is in (``unit``), where it comes from (``source``: a standard, "common practice, no
source", or what it was "set on") and what it does (``effect``). Those that are ``settable`` may be overridden in
``taptest.toml``. Constants that only make an algorithm work, and decide nothing, stay private beside their code.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from taptest.config.limits.calibrating import (
    CalibrationLimits,
    ClockLimits,
    DriftLimits,
    LearningLimits,
    LoopLimits,
    PlanLimits,
    RoomCalibrationLimits,
    StudyLimits,
    TemperatureLimits,
)
from taptest.config.limits.judging import (
    BeamLimits,
    ClusterLimits,
    CompareLimits,
    GroupLimits,
    LadderLimits,
    LogbookLimits,
    PairingLimits,
    SnowLimits,
    TableLimits,
    VerdictLimits,
)
from taptest.config.limits.listening import (
    AgreementLimits,
    FormatLimits,
    InputLimits,
    ListeningLimits,
    ModeLimits,
    NoiseLimits,
    PickupTapLimits,
    PlaybackLimits,
    ReverberationLimits,
    RoomLimits,
    TapLimits,
)


@dataclass(frozen=True)
class Limits:
    """All limits, by what they decide about."""

    listening: ListeningLimits = ListeningLimits()
    ladder: LadderLimits = LadderLimits()
    group: GroupLimits = GroupLimits()
    verdict: VerdictLimits = VerdictLimits()
    clusters: ClusterLimits = ClusterLimits()
    reverberation: ReverberationLimits = ReverberationLimits()
    room_calibration: RoomCalibrationLimits = RoomCalibrationLimits()
    clock: ClockLimits = ClockLimits()
    loops: LoopLimits = LoopLimits()
    calibration: CalibrationLimits = CalibrationLimits()
    study: StudyLimits = StudyLimits()
    drift: DriftLimits = DriftLimits()
    temperature: TemperatureLimits = TemperatureLimits()
    plan: PlanLimits = PlanLimits()
    learning: LearningLimits = LearningLimits()
    pairing: PairingLimits = PairingLimits()
    compare: CompareLimits = CompareLimits()
    snow: SnowLimits = SnowLimits()
    logbook: LogbookLimits = LogbookLimits()
    tables: TableLimits = TableLimits()
    format: FormatLimits = FormatLimits()
    tap: TapLimits = TapLimits()
    pickup_tap: PickupTapLimits = PickupTapLimits()
    noise: NoiseLimits = NoiseLimits()
    mode: ModeLimits = ModeLimits()
    room: RoomLimits = RoomLimits()
    beam: BeamLimits = BeamLimits()
    agreement: AgreementLimits = AgreementLimits()
    input: InputLimits = InputLimits()
    playback: PlaybackLimits = PlaybackLimits()


LIMITS = Limits()


@dataclass(frozen=True)
class NamedLimit:
    """One limit with its name ("group.least_skis"), for lists and for setting it."""

    name: str
    value: Any
    default: Any
    unit: str
    source: str
    effect: str
    settable: bool
    least: Any
    most: Any


def named_limits(limits: Limits = LIMITS) -> Iterator[NamedLimit]:
    """Every limit, in the order in which they are written."""
    for group in fields(limits):
        held = getattr(limits, group.name)
        for each in fields(held):
            yield NamedLimit(f"{group.name}.{each.name}", getattr(held, each.name), each.default, **each.metadata)
