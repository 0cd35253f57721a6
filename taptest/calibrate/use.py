"""From stored calibrations to what a check takes from them, each cited with its age and its effect."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from taptest.calibrate.drift import LEAST_POINTS
from taptest.calibrate.store import (
    Calibration,
    Calibrations,
    calibration_folder,
    finite,
    is_chosen,
    load_calibrations,
)
from taptest.calibrate.temperature import law_of
from taptest.config.corrections import Citation, Corrections, Repeatability, RoomDecay
from taptest.core.errors import CalibrationError, shown
from taptest.signal.room import ROOM_FACTOR

DRIFT_OLD_DAYS = 1.0  # a reference belongs at the start and the end of every working day (common practice, no source)
_LEAST_CLOCK, _MOST_CLOCK = 0.99, 1.01
_LARGEST_U = 0.5


def corrections_from(
    stored: Calibrations,
    now: datetime,
    *,
    room_given: bool = False,
    constructions: tuple[str, ...] = (),
) -> Corrections:
    """What the newest calibration of each kind tells a check.

    One whose values cannot be used is named in ``problems`` and changes nothing.

    Args:
        stored: the folder's calibrations.
        now: the time against which ages are counted.
        room_given: the user has said how the room decays, which goes first.
        constructions: the construction files in use, by stem or path.
    """
    collected = _Collected(Corrections(problems=stored.problems), stored, now)
    if not room_given:
        collected.take(stored.latest("room"), _room)
    collected.take(stored.latest("bar"), _clock)
    collected.take(stored.latest("repeatability"), _floor)
    collected.take(stored.latest("drift"), _drift)
    collected.take(stored.latest("temperature"), _temperature)
    for calibration in stored.all("construction"):
        written = Path(str(calibration.values.get("construction", "")).replace("\\", "/")).stem
        if written and any(Path(name.replace("\\", "/")).stem == written for name in constructions):
            collected.take(calibration, _construction)
    return collected.corrections


def corrections_in_folder(
    given: str | None,
    *,
    beside: Path | None = None,
    room_given: bool = False,
    constructions: tuple[str, ...] = (),
    may_be_new: bool = False,
) -> Corrections:
    """What the calibrations in the folder that is meant tell a check now; nothing where there is none.

    A folder that was asked for must exist, unless it ``may_be_new`` because something is stored in it afterwards.

    Args:
        given: the folder; None for ``$TAPTEST_CALIBRATIONS``, or the folder ``calibrations`` that lies ``beside`` a table.
        beside: that table; None for the present folder.
        room_given: as in `corrections_from`, like ``constructions``.
        constructions: the construction files in use.
        may_be_new: do not insist that the folder exists.

    Raises:
        CalibrationError: there is no such folder.
    """
    folder = calibration_folder(given, beside=beside)
    stored = load_calibrations(folder, must_exist=is_chosen(given) and not may_be_new)
    return corrections_from(stored, datetime.now(UTC), room_given=room_given, constructions=constructions)


_Effect = tuple[Corrections, str]


@dataclass
class _Collected:
    corrections: Corrections
    stored: Calibrations
    now: datetime
    seen: set[str] = field(default_factory=set)

    def take(
        self, calibration: Calibration | None, use: Callable[[Corrections, Calibration, datetime], _Effect]
    ) -> None:
        if calibration is None:
            return
        try:
            corrections, effect = use(self.corrections, calibration, self.now)
        except CalibrationError as problem:
            place = shown(self.stored.folder / calibration.file, 200)
            self.corrections = replace(
                self.corrections, problems=(*self.corrections.problems, f"{place}: {problem}; make it anew")
            )
            return
        cited = Citation(calibration.kind, calibration.made, calibration.age_days(self.now), calibration.file, effect)
        self.corrections = replace(corrections, citations=(*corrections.citations, cited))


def _room(corrections: Corrections, calibration: Calibration, now: datetime) -> _Effect:
    decay = room_of(calibration)
    shortest, longest = min(decay.reverberation_s), max(decay.reverberation_s)
    seconds = f"{shortest:.2g} s" if longest / shortest < 1.05 else f"{shortest:.2g} to {longest:.2g} s"
    effect = (
        f"damping is not judged of modes that ring less than {ROOM_FACTOR:g} times as long as the room ({seconds}); that of "
        "the others is fitted once the room has settled"
    )
    return replace(corrections, room=decay), effect


def room_of(calibration: Calibration) -> RoomDecay:
    """The room's decay by band.

    Raises:
        CalibrationError: the values hold no band with a reverberation time.
    """
    bands = calibration.values.get("bands")
    points = []
    for band in bands if isinstance(bands, list) else []:
        if not isinstance(band, dict):
            raise CalibrationError(f"a band is {shown(band)}; it must be an object")
        low, high, seconds = (finite(band, key) for key in ("low_hz", "high_hz", "reverberation_s"))
        if seconds is None:
            continue
        if low is None or high is None or not 0 < low < high or not 0.01 <= seconds <= 60:
            raise CalibrationError(
                f"a band from {shown(band.get('low_hz'))} to {shown(band.get('high_hz'))} Hz with a reverberation time of "
                f"{shown(band.get('reverberation_s'))} s; 0.01 to 60 s are possible"
            )
        points.append(((low * high) ** 0.5, seconds))
    points.sort()
    if not points:
        raise CalibrationError("no band has a reverberation time")
    if any(after[0] <= before[0] for before, after in pairwise(points)):
        raise CalibrationError("two bands have the same centre")
    return RoomDecay(tuple(hz for hz, _ in points), tuple(seconds for _, seconds in points))


def _clock(corrections: Corrections, calibration: Calibration, now: datetime) -> _Effect:
    factor, u = finite(calibration.values, "clock_factor"), finite(calibration.values, "clock_u_rel")
    if factor is None:
        return corrections, "nothing is corrected: this bar cannot tell the clock's error from its own modulus"
    if not _LEAST_CLOCK <= factor <= _MOST_CLOCK or u is None or not 0 <= u < _LARGEST_U:
        raise CalibrationError(
            f"a clock factor of {factor:g} with an uncertainty of {shown(calibration.values.get('clock_u_rel'))}; "
            f"{_LEAST_CLOCK:g} to {_MOST_CLOCK:g} are possible"
        )
    if abs(factor - 1) <= 2 * u:
        return replace(corrections, clock_u_rel=u), f"nothing is corrected: the clock is right within ±{100 * u:.2g} %"
    effect = f"frequencies are multiplied by {factor:.5f} ±{u:.1g}, the error of the recorder's clock"
    return replace(corrections, clock_factor=factor, clock_u_rel=u), effect


def _floor(corrections: Corrections, calibration: Calibration, now: datetime) -> _Effect:
    found = {}
    for key, what in (("frequency_u_rel", "frequency"), ("damping_u_rel", "damping"), ("shift_u_rel", "shift")):
        value = finite(calibration.values, key)
        if value is None:
            continue
        if not 0 <= value < _LARGEST_U:
            raise CalibrationError(f"{key} is {value:g}; it must lie from 0 to {_LARGEST_U:g}")
        found[what] = value
    if not found:
        raise CalibrationError("none of frequency_u_rel, damping_u_rel and shift_u_rel is a number")
    floor = Repeatability(*(found.get(what, 0.0) for what in ("frequency", "damping", "shift")))
    least = ", ".join(f"{what} {100 * value:.2g} %" for what, value in found.items())
    return replace(corrections, floor=floor), f"no standard uncertainty is taken smaller than was repeated: {least}"


def _drift(corrections: Corrections, calibration: Calibration, now: datetime) -> _Effect:
    state = calibration.values.get("state")
    if state not in ("in", "out"):
        raise CalibrationError(f"state is {shown(state)}; it must be in or out")
    try:
        last = datetime.fromisoformat(str(calibration.values.get("last")))
    except ValueError:
        raise CalibrationError(f"last is {shown(calibration.values.get('last'))}; it must be a time") from None
    last = last.replace(tzinfo=UTC) if last.tzinfo is None else last
    age = (now - last).total_seconds() / 86_400
    notes = list(corrections.notes)
    if state == "out":
        notes.append(
            f"the reference was outside its limits when last tapped ({last:%Y-%m-%d %H:%M} UTC): look for what changed "
            "and tap it again before trusting these verdicts"
        )
    if age > DRIFT_OLD_DAYS:
        notes.append(
            f"the reference was last tapped {age:.0f} days ago ({last:%Y-%m-%d}): tap it at the start and the end of a day"
            if age >= 1.5
            else f"the reference was last tapped more than a day ago ({last:%Y-%m-%d %H:%M} UTC): tap it at the start "
            "and the end of a day"
        )
    points = finite(calibration.values, "points")
    if points is not None and points < LEAST_POINTS:
        return replace(
            corrections, notes=tuple(notes)
        ), "a warning only: the reference was tapped too seldom for limits"
    effect = f"a warning only: the reference was {'within' if state == 'in' else 'outside'} its limits"
    return replace(corrections, notes=tuple(notes)), effect


def _temperature(corrections: Corrections, calibration: Calibration, now: datetime) -> _Effect:
    law = law_of(calibration)
    if abs(law.slope_per_k) <= 2 * law.slope_u_per_k:
        return corrections, "nothing is corrected: the study could not tell the slope from none"
    effect = (
        f"frequencies of skis with a temperature in the table are those at {law.reference_c:.0f} °C "
        f"({100 * law.slope_per_k:+.2f} % a kelvin, from {law.low_c:.0f} to {law.high_c:.0f} °C); damping is not corrected"
    )
    return replace(corrections, temperature=law), effect


def _construction(corrections: Corrections, calibration: Calibration, now: datetime) -> _Effect:
    return (
        corrections,
        f"predictions from {shown(calibration.values.get('construction'), 100)}, learnt from skis presumed good",
    )
