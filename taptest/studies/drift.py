"""Does the measurement drift? A reference ski or bar, tapped again and again, on a chart of individuals and moving ranges.

Each tapping is one stored calibration of kind ``drift``. What is charted is the frequency of all modes together, in percent
of the first tapping: single modes come and go, what they share stays. Damping likewise. Limits come from the first twenty
points that lie within them: with one value at a time the scatter is read off the moving range, MRbar/d2, and the limits lie
three of it from the centre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import exp, log, pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.calibrate.store import Calibration, Calibrations
from taptest.calibrate.values import DriftValues, values_of
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import CalibrationError, shown
from taptest.io.recording import read_recording
from taptest.signal.analysis import Analysis, analyse

_LIMITS = LIMITS.drift

Real = NDArray[np.float64]

# Of the range of two normal values [1]: mean d2 = 2/sqrt(pi) and standard deviation d3 = sqrt(2 - 4/pi), in units of sigma.
D2 = 2 / sqrt(pi)
D3 = sqrt(2 - 4 / pi)
# Of the first eight, those as many widths outside the limits of the other seven make none. Seven limits are rough.
_MOST_MODES = 12

RULES = (
    "a point outside the limits",
    f"{_LIMITS.run_length} points in a row on one side of the centre",
    "a moving range above its limit",
)


@dataclass(frozen=True)
class Chart:
    """Individuals and moving range of one quantity: ``values`` (points,), ``broken`` the rules that each point breaks.

    ``centre``, ``low``, ``high``, ``range_limit`` are None with fewer than eight such points as make them; ``made_by`` tells
    how many there are.
    """

    values: tuple[float, ...]
    centre: float | None
    low: float | None
    high: float | None
    range_limit: float | None
    broken: tuple[tuple[str, ...], ...]
    made_by: int

    @property
    def out(self) -> bool:
        """Whether the last point breaks a rule."""
        return bool(self.broken and self.broken[-1])


@dataclass(frozen=True)
class ReferencePoint:
    """One tapping of a reference: its modes (frequency [Hz], damping ratio, level [dB]), when, and how warm it was."""

    reference: str
    at: datetime
    modes: tuple[tuple[float, float, float], ...]
    temperature_c: float | None
    source: str


@dataclass(frozen=True)
class Drift:
    """The charts of one reference, in percent of its first tapping; ``notes`` say what limits their meaning."""

    reference: str
    points: tuple[ReferencePoint, ...]
    frequency: Chart
    damping: Chart
    notes: tuple[str, ...]

    @property
    def state(self) -> Literal["in", "out"]:
        return "out" if self.frequency.out or self.damping.out else "in"

    def broken_rules(self, at: int) -> list[str]:
        """Those of `RULES` that the tapping number ``at`` breaks, in frequency or in damping."""
        return sorted({*self.frequency.broken[at], *self.damping.broken[at]})


@dataclass(frozen=True)
class _Limits:
    centre: float
    half: float
    range_limit: float

    def widths(self, value: float) -> float:
        """Distance from the centre; above 1 outside."""
        return abs(value - self.centre) / max(self.half, 1e-12)


def chart(values: Sequence[float]) -> Chart:
    """Individuals chart with limits mean ± 3 MRbar/d2 and a moving range limit of (1 + 3 d3/d2) MRbar [1].

    3/d2 = 2.660 and 1 + 3 d3/d2 = 3.267. Eight points make the first limits, and later ones are added up to twenty; a
    point is judged by those that stood when it came. Points outside make none: what was amiss neither widens them nor changes
    what was said of earlier points. The price: of a steady process 7 % of the points break a rule, not 4.5 %.

    References:
        [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    data = np.asarray(values, dtype=np.float64)
    makers: list[int] = []
    limits: _Limits | None = None
    broken: list[tuple[str, ...]] = []
    for i in range(len(data)):
        if limits is None:
            makers = _without_strays(data, [*makers, i])
            if len(makers) == _LIMITS.least_points:
                limits = _limits(data[makers])
                broken = [_broken(data[: j + 1], limits) for j in range(i + 1)]
            continue
        broken.append(_broken(data[: i + 1], limits))
        if len(makers) < _LIMITS.baseline_points and limits.widths(data[i]) <= 1:
            makers.append(i)
            limits = _limits(data[makers])
    if limits is None:
        return Chart(tuple(data.tolist()), None, None, None, None, ((),) * len(data), len(makers))
    low, high = limits.centre - limits.half, limits.centre + limits.half
    return Chart(tuple(data.tolist()), limits.centre, low, high, limits.range_limit, tuple(broken), made_by=len(makers))


def _limits(values: Real) -> _Limits:
    moving = float(np.abs(np.diff(values)).mean())
    return _Limits(float(values.mean()), 3 / D2 * moving, (1 + 3 * D3 / D2) * moving)


def _without_strays(data: Real, makers: list[int]) -> list[int]:
    """Eight points without those far outside of the limits of the other seven; fewer are left as they are."""
    if len(makers) < _LIMITS.least_points:
        return makers
    while len(makers) > _LIMITS.least_points // 2:
        far = [_limits(np.delete(data[makers], k)).widths(data[maker]) for k, maker in enumerate(makers)]
        if max(far) <= _LIMITS.far_of_eight:
            break
        makers = [maker for maker, each in zip(makers, far, strict=True) if each < max(far)]
    return makers


def _broken(until: Real, limits: _Limits) -> tuple[str, ...]:
    last = until[-_LIMITS.run_length :] - limits.centre
    one_side = len(last) == _LIMITS.run_length and (bool(np.all(last > 0)) or bool(np.all(last < 0)))
    jumped = len(until) > 1 and abs(until[-1] - until[-2]) > limits.range_limit
    found = (limits.widths(until[-1]) > 1, one_side, jumped)
    return tuple(rule for rule, broken in zip(RULES, found, strict=True) if broken)


def point_from_analysis(
    analysis: Analysis, *, reference: str, at: datetime, temperature_c: float | None
) -> ReferencePoint:
    """The loudest modes of a recording of the reference.

    Raises:
        CalibrationError: no mode was heard in it.
    """
    clear = [mode for mode in analysis.modes if "hum" not in mode.flags and "single-tap" not in mode.flags]
    loudest = sorted(clear, key=lambda mode: -mode.level_db)[:_MOST_MODES]
    if not loudest:
        raise CalibrationError(
            f"{shown(analysis.path, 200)}: no mode was heard in more than one tap; tap the reference five times and add it again"
        )
    modes = tuple((mode.frequency_hz, mode.damping_ratio, mode.level_db) for mode in loudest)
    return ReferencePoint(reference, at, tuple(sorted(modes)), temperature_c, analysis.path)


def points_of(stored: Calibrations, reference: str | None = None) -> tuple[ReferencePoint, ...]:
    """The tappings of one reference in order of time; of the one tapped last where none is named.

    Raises:
        CalibrationError: none of that name is stored.
    """
    points = [point for each in stored.all("drift") if (point := _point(each)) is not None]
    if reference is None and points:
        reference = max(points, key=lambda point: point.at).reference
    chosen = sorted((point for point in points if point.reference == reference), key=lambda point: point.at)
    if not chosen:
        known = ", ".join(sorted({shown(point.reference) for point in points})) or "none"
        raise CalibrationError(
            f"no tapping of {'a reference' if reference is None else shown(reference)} is stored (stored are: {known}); "
            "add one with 'taptest calibrate drift add'"
        )
    return tuple(chosen)


def _point(calibration: Calibration) -> ReferencePoint | None:
    """A stored tapping; None where its values do not make sense."""
    try:
        values = values_of(calibration, DriftValues)
    except CalibrationError:
        return None
    if not values.modes:
        return None
    modes = sorted((mode.frequency_hz, mode.damping_ratio, mode.level_db) for mode in values.modes)
    return ReferencePoint(values.reference, values.last_utc, tuple(modes), values.temperature_c, calibration.file)


def follow_on(
    stored: Calibrations,
    recording: str,
    *,
    reference: str,
    at: datetime,
    temperature_c: float | None,
    settings: Settings,
) -> Drift:
    """The charts of a reference after one more tapping, which is a recording.

    Raises:
        RecordingError: it cannot be read.
        CalibrationError: no mode is heard in it, none that the first tapping had, or a later one is stored already.
    """
    analysis = analyse(read_recording(recording), settings)
    point = point_from_analysis(analysis, reference=reference, at=at, temperature_c=temperature_c)
    known = {each.reference for each in (_point(c) for c in stored.all("drift")) if each is not None}
    earlier = points_of(stored, reference) if reference in known else ()
    if earlier and earlier[-1].at >= at:
        raise CalibrationError(
            f"{shown(reference)} was tapped at {earlier[-1].at:%Y-%m-%d %H:%M:%S} UTC already, not before this tapping: add "
            "tappings in their order"
        )
    return follow((*earlier, point))


def follow(points: Sequence[ReferencePoint]) -> Drift:
    """Charts of one reference's tappings, given in order of time.

    Raises:
        CalibrationError: no points, or one that shares no mode with the first.
    """
    if not points:
        raise CalibrationError("no tapping to follow; add one with 'taptest calibrate drift add'")
    first = points[0]
    frequency, damping = [], []
    for point in points:
        moved = _moved(first, point)
        if moved is None:
            raise CalibrationError(
                f"the tapping of {point.at:%Y-%m-%d %H:%M} UTC shares hardly a mode with the first of "
                f"{first.at:%Y-%m-%d %H:%M} UTC: another reference? Give every reference a name of its own"
            )
        frequency.append(100 * (exp(moved[0]) - 1))
        damping.append(100 * (exp(moved[1]) - 1))
    charts = chart(frequency), chart(damping)
    return Drift(first.reference, tuple(points), *charts, tuple(_notes(points, charts)))


def _moved(first: ReferencePoint, point: ReferencePoint) -> tuple[float, float] | None:
    """Median log ratios of frequency and damping over the modes that both have; None for another object.

    Some modes of two objects lie near each other by chance, but they do not move together.
    """
    pairs = []
    for hz, damping, _ in first.modes:
        near = min(point.modes, key=lambda mode: abs(log(mode[0] / hz)))
        if abs(log(near[0] / hz)) < _LIMITS.same_mode:
            pairs.append((log(near[0] / hz), log(near[1] / damping)))
    if not pairs:
        return None
    shift, damped = np.median(pairs, axis=0)
    together = sum(abs(f - shift) < _LIMITS.together for f, _ in pairs)
    if 3 * together < min(len(first.modes), len(point.modes)):
        return None
    return float(shift), float(damped)


def _notes(points: Sequence[ReferencePoint], charts: Sequence[Chart]) -> list[str]:
    notes = []
    made_by = min(each.made_by for each in charts)
    if made_by < _LIMITS.least_points:
        notes.append(
            f"{made_by} of {_LIMITS.least_points} tappings that limits need at least: no limits yet, so nothing can be out"
        )
    elif made_by < _LIMITS.baseline_points:
        notes.append(f"limits from {made_by} tappings; they settle with {_LIMITS.baseline_points}")
    astray = sum(any(RULES[0] in each.broken[i] for each in charts) for i in range(len(points)))
    if astray:
        notes.append(
            f"{astray} outside the limits, which they do not widen; after a change that is meant, such as another"
            " microphone, begin with a new name"
        )
    warm = [point.temperature_c for point in points if point.temperature_c is not None]
    if warm and max(warm) - min(warm) > _LIMITS.warm_k:
        notes.append(
            f"tapped between {min(warm):.0f} and {max(warm):.0f} °C: frequencies move about 0.1 % a kelvin (common "
            "practice), so part of it may be warmth"
        )
    return notes
