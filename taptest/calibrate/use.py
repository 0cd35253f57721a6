"""From stored calibrations to what a check takes from them, each cited with its age and its effect."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from taptest.calibrate.store import Calibration, Calibrations, calibration_folder, is_chosen, load_calibrations
from taptest.calibrate.values import (
    BarValues,
    ConstructionValues,
    DriftValues,
    RepeatabilityValues,
    RoomValues,
    TemperatureValues,
    Values,
    values_of,
)
from taptest.config.corrections import Citation, Corrections, Repeatability, RoomDecay, TemperatureLaw
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import CalibrationError, shown

_LIMITS = LIMITS.calibration


def with_calibrations(
    settings: Settings, *, beside: Path | None, constructions: tuple[str, ...], may_be_new: bool = False
) -> Settings:
    """The settings with what the calibrations in their folder say now; a room that is given in them goes first.

    Args:
        settings: their ``calibrations`` name the folder; None for ``$TAPTEST_CALIBRATIONS``, or ``calibrations`` in the folder
            of the table.
        beside: that table; None for the present folder.
        constructions: the construction files in use, by stem or path.
        may_be_new: a folder that was asked for need not exist, because something is stored in it afterwards.

    Raises:
        CalibrationError: there is no such folder.
    """
    folder = calibration_folder(settings.calibrations, beside=beside)
    stored = load_calibrations(folder, must_exist=is_chosen(settings.calibrations) and not may_be_new)
    given = settings.room_s is not None
    found = corrections_from(stored, datetime.now(UTC), room_given=given, constructions=constructions)
    return replace(settings, corrections=found)


def with_room(settings: Settings) -> Settings:
    """The settings for recordings that are no skis of a lot: of the calibrations only the room is cited.

    Raises:
        CalibrationError: there is no such folder.
    """
    if settings.room_s is not None:
        return settings
    found = with_calibrations(settings, beside=None, constructions=()).corrections
    room = tuple(each for each in found.citations if each.kind == "room")
    return replace(settings, corrections=replace(found, citations=room))


def corrections_from(
    stored: Calibrations, now: datetime, *, room_given: bool = False, constructions: tuple[str, ...] = ()
) -> Corrections:
    """What the newest calibration of each kind tells a check.

    One whose values cannot be used is named in ``problems`` and changes nothing.

    Args:
        stored: the folder's calibrations.
        now: the time against which ages are counted.
        room_given: the user has said how the room decays, which goes first.
        constructions: the construction files in use, by stem or path.
    """
    used = [each for kind in ("room", "bar", "repeatability", "drift", "temperature") if (each := stored.latest(kind))]
    used += [each for each in stored.all("construction") if _is_used(each, constructions)]
    found = Corrections(problems=stored.problems)
    for each in used:
        if each.kind == "room" and room_given:
            continue
        structure, use = _USES[each.kind]
        place = shown(stored.folder / each.file, 200)
        try:
            found, effect = use(found, values_of(each, structure, place), now)
        except CalibrationError as problem:
            text = str(problem) if str(problem).startswith(place) else f"{place}: {problem}; make it anew"
            found = replace(found, problems=(*found.problems, text))
            continue
        citation = Citation(each.kind, each.made, each.age_days(now), each.file, effect)
        found = replace(found, citations=(*found.citations, citation))
    return found


def _is_used(calibration: Calibration, constructions: tuple[str, ...]) -> bool:
    written = _stem(calibration.values.get("construction", ""))
    return bool(written) and written in map(_stem, constructions)


def _stem(name: object) -> str:
    return Path(str(name).replace("\\", "/")).stem


_Effect = tuple[Corrections, str]


def _room(corrections: Corrections, values: RoomValues, now: datetime) -> _Effect:
    decay = room_of(values)
    shortest, longest = min(decay.reverberation_s), max(decay.reverberation_s)
    seconds = f"{shortest:.2g} s" if longest / shortest < 1.05 else f"{shortest:.2g} to {longest:.2g} s"
    effect = (
        f"damping is not judged of modes that ring less than {LIMITS.room.factor:g} times as long as the room ({seconds}); "
        "that of the others is fitted once the room has settled"
    )
    return replace(corrections, room=decay), effect


def room_of(values: RoomValues) -> RoomDecay:
    """The room's decay by band.

    Raises:
        CalibrationError: the values hold no band with a reverberation time, or the same band twice.
    """
    known = [(band, band.reverberation_s) for band in values.bands if band.reverberation_s is not None]
    points = sorted(((band.low_hz * band.high_hz) ** 0.5, seconds) for band, seconds in known)
    if not points:
        raise CalibrationError("no band has a reverberation time")
    if any(after[0] <= before[0] for before, after in pairwise(points)):
        raise CalibrationError("two bands have the same centre")
    return RoomDecay(tuple(hz for hz, _ in points), tuple(seconds for _, seconds in points))


def _clock(corrections: Corrections, values: BarValues, now: datetime) -> _Effect:
    factor, u = values.clock_factor, values.clock_u_rel
    if factor is None:
        return corrections, "nothing is corrected: this bar cannot separate the clock's error from its own modulus"
    if u is None:
        raise CalibrationError("clock_factor has no clock_u_rel, its uncertainty")
    if abs(factor - 1) <= _LIMITS.surely_off * u:
        return replace(corrections, clock_u_rel=u), f"nothing is corrected: the clock is right within ±{100 * u:.2g} %"
    effect = f"frequencies are multiplied by {factor:.5f} ±{u:.1g}, the error of the recorder's clock"
    return replace(corrections, clock_factor=factor, clock_u_rel=u), effect


def _floor(corrections: Corrections, values: RepeatabilityValues, now: datetime) -> _Effect:
    known = {"frequency": values.frequency_u_rel, "damping": values.damping_u_rel, "shift": values.shift_u_rel}
    least = ", ".join(f"{what} {100 * u:.2g} %" for what, u in known.items() if u is not None)
    if not least:
        raise CalibrationError("none of frequency_u_rel, damping_u_rel and shift_u_rel is a number")
    floor = Repeatability(*(u or 0.0 for u in known.values()))
    return replace(corrections, floor=floor), f"no standard uncertainty is taken smaller than was repeated: {least}"


def _drift(corrections: Corrections, values: DriftValues, now: datetime) -> _Effect:
    last = values.last_utc
    age = (now - last).total_seconds() / 86_400
    notes = list(corrections.notes)
    if values.state == "out":
        notes.append(
            f"the reference was outside its limits when last tapped ({last:%Y-%m-%d %H:%M} UTC): look for what changed "
            "and tap it again before trusting these verdicts"
        )
    if age > _LIMITS.drift_old_days:
        when = (
            f"{age:.0f} days ago ({last:%Y-%m-%d})"
            if age >= 1.5
            else f"more than a day ago ({last:%Y-%m-%d %H:%M} UTC)"
        )
        notes.append(f"the reference was last tapped {when}: tap it at the start and the end of a day")
    if values.points is not None and values.points < LIMITS.drift.least_points:
        effect = "a warning only: the reference was tapped too seldom for limits"
    else:
        effect = f"a warning only: the reference was {'within' if values.state == 'in' else 'outside'} its limits"
    return replace(corrections, notes=tuple(notes)), effect


def _temperature(corrections: Corrections, values: TemperatureValues, now: datetime) -> _Effect:
    law = law_of(values)
    if abs(law.slope_per_k) <= _LIMITS.surely_off * law.slope_u_per_k:
        return corrections, "nothing is corrected: the study could not separate the slope from zero"
    effect = (
        f"frequencies of skis with a temperature in the table are those at {law.reference_c:.0f} °C "
        f"({100 * law.slope_per_k:+.2f} % a kelvin, from {law.low_c:.0f} to {law.high_c:.0f} °C); damping is not corrected"
    )
    return replace(corrections, temperature=law), effect


def law_of(values: TemperatureValues) -> TemperatureLaw:
    """The stored slope as a check takes it.

    Raises:
        CalibrationError: the reference temperature lies outside the range that was studied.
    """
    if not values.low_c <= values.reference_c <= values.high_c:
        raise CalibrationError(
            f"reference_c is {values.reference_c:g}, outside the {values.low_c:g} to {values.high_c:g} °C that were studied"
        )
    return TemperatureLaw(
        values.percent_per_k / 100, values.percent_per_k_u / 100, values.reference_c, values.low_c, values.high_c
    )


def _construction(corrections: Corrections, values: ConstructionValues, now: datetime) -> _Effect:
    return corrections, f"predictions from {shown(values.construction, 100)}, learnt from skis presumed good"


# Of each kind what is read, and what it does.
_USES: dict[str, tuple[type[Values], Callable[[Corrections, Any, datetime], _Effect]]] = {
    "room": (RoomValues, _room),
    "bar": (BarValues, _clock),
    "repeatability": (RepeatabilityValues, _floor),
    "drift": (DriftValues, _drift),
    "temperature": (TemperatureValues, _temperature),
    "construction": (ConstructionValues, _construction),
}
