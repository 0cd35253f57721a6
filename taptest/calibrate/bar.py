"""A reference bar tapped: its ladder against theory, dynamic modulus, clock, low-frequency reach and ring-down linearity.

A bar of known size, mass and modulus rings at f_n = true; a recorder whose clock is off by a factor shows f_n/factor. A modulus
that is off by a factor moves every mode by its root. Both are one common factor on all modes, so the ladder alone cannot tell
them apart; something that does not come from this recorder must: the bar's first mode measured elsewhere, or a modulus known
well enough. The ratios of the modes depend on neither, only on thickness over length, and test the bar and the placing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from taptest.beam.bar import Bar, fit_slenderness, modulus_from_first_mode
from taptest.calibrate.linearity import RingDown, ring_downs
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import CalibrationError, RecordingError, shown
from taptest.io.recording import read_recording
from taptest.signal.analysis import Analysis, Mode, analyse, combine_taps

_LIMITS = LIMITS.clock

Real = NDArray[np.float64]

_ORDERS = 14


@dataclass(frozen=True)
class BarMode:
    """One bending order as heard and as predicted by the bar's file; ``modulus_pa`` is the one that would make them agree.

    ``level_db`` against the loudest order; ``taps`` in which it was heard of all good ones.
    """

    order: int
    frequency_hz: float
    frequency_u_hz: float
    predicted_hz: float
    damping_ratio: float
    damping_ratio_u: float
    level_db: float
    taps: int
    modulus_pa: float

    @property
    def deviation_percent(self) -> float:
        """100 x (measured / predicted - 1)."""
        return 100 * (self.frequency_hz / self.predicted_hz - 1)


@dataclass(frozen=True)
class Clock:
    """``factor`` true over measured frequency and its relative standard uncertainty; ``separable`` when it is the clock's own.

    ``basis``: what it was told from, or why it cannot be.
    """

    factor: float
    u_rel: float
    separable: bool
    basis: str


@dataclass(frozen=True)
class Reach:
    """Which modes the microphone hears: the ``lowest_hz`` heard, orders below it that it missed, and the slope of the levels
    below 400 Hz [dB per octave], None with fewer than three modes there."""

    lowest_hz: float
    missed_orders: tuple[int, ...]
    slope_db_per_octave: float | None


@dataclass(frozen=True)
class BarResult:
    """A tapped bar.

    ``common_factor`` measured over predicted frequency, shared by all modes, with ``common_u_rel`` of the measurement alone;
    ``predicted_u_rel`` of the prediction. ``modulus_pa`` with ``modulus_u_pa`` from size, mass and all modes;
    ``standard_modulus_pa`` by the formula of ASTM E1876 from the first mode alone, None where that was not heard.
    ``slenderness`` t/L from the ratios alone against ``bar.slenderness``; ``ladder_off_percent`` the largest deviation from it.
    """

    bar: Bar
    modes: tuple[BarMode, ...]
    taps: int
    common_factor: float
    common_u_rel: float
    predicted_u_rel: float
    modulus_pa: float
    modulus_u_pa: float
    standard_modulus_pa: float | None
    slenderness: float
    ladder_off_percent: float
    clock: Clock
    reach: Reach
    ring_downs: tuple[RingDown, ...]
    recordings: tuple[str, ...]
    unread: tuple[str, ...] = ()


def measure_bar(bar: Bar, paths: Sequence[str], *, settings: Settings | None = None) -> BarResult:
    """The bar from recordings of its taps.

    A recording that cannot be read is named in ``unread`` and does not stop the others.

    Raises:
        CalibrationError: no recording could be read, no tap is good, or the bar's ladder is not in what is heard.
    """
    settings = replace(settings or Settings(high_hz=3000.0), rings_on=True)
    heard, samples, unread = [], [], []
    for path in paths:
        try:
            recording = read_recording(path)
            heard.append(analyse(recording, settings))
            samples.append(np.asarray(recording.samples[:, heard[-1].channel - 1], dtype=np.float64))
        except RecordingError as problem:
            unread.append(str(problem))
    if not heard:
        raise CalibrationError("; ".join(unread) or "no recording given: hang the bar, tap it and name the file")
    names = ", ".join(shown(each.path, 100) for each in heard)
    if not any(each.accepted for each in heard):
        raise CalibrationError(f"{names}: no tap can be used; 'taptest analyse' says why of each")
    modes = place_ladder(bar, heard)
    found = bar_result(bar, modes, sum(len(each.accepted) for each in heard), names=names)
    decays = tuple(
        each
        for mode in found.modes
        if (
            each := ring_downs(
                mode.order, mode.frequency_hz, _neighbours(mode, heard), list(zip(heard, samples, strict=True))
            )
        )
    )
    return replace(found, ring_downs=decays, recordings=tuple(each.path for each in heard), unread=tuple(unread))


def place_ladder(bar: Bar, heard: Sequence[Analysis]) -> dict[int, list[Mode]]:
    """Measured modes by bending order, over all recordings, about the common factor that explains most of them.

    The factor is the one, within 20 % of the file's ladder, about which most orders have a mode within 1.2 %; the louder modes
    decide between equals.
    """
    ladder = _ladder(bar, heard)
    modes = [mode for each in heard for mode in each.modes]
    best: tuple[float, dict[int, list[Mode]]] = (-np.inf, {})
    for factor in sorted({mode.frequency_hz / hz for mode in modes for hz in ladder}):
        if abs(np.log(factor)) > _LIMITS.widest_factor:
            continue
        placed = _about(factor, ladder, heard)
        loud = sum(10 ** (max(mode.level_db for mode in found) / 40) for found in placed.values())
        # A ladder higher up always finds something: orders that should be heard and are not count against it.
        span = range(min(placed, default=1), max(placed, default=0) + 1)
        score = len(placed) + loud - 0.5 * sum(order not in placed for order in span) - 5 * abs(np.log(factor))
        if score > best[0]:
            best = score, placed
    placed = best[1]
    if placed:
        off = [mode.frequency_hz / ladder[order - 1] for order, found in placed.items() for mode in found]
        placed = _about(float(np.median(off)), ladder, heard)
    return placed


def _ladder(bar: Bar, heard: Sequence[Analysis]) -> Real:
    top = 1.3 * max((mode.frequency_hz for each in heard for mode in each.modes), default=1.0)
    ladder = bar.ladder_hz(_ORDERS)
    return np.asarray(ladder[: max(int(np.searchsorted(ladder, top)), 1)])


def _about(factor: float, ladder: Real, heard: Sequence[Analysis]) -> dict[int, list[Mode]]:
    """The loudest mode of every recording within the tolerance of every order."""
    placed: dict[int, list[Mode]] = {}
    for order, hz in enumerate(ladder, start=1):
        for each in heard:
            near = [mode for mode in each.modes if abs(mode.frequency_hz / (factor * hz) - 1) < _LIMITS.mode_tolerance]
            if near:
                placed.setdefault(order, []).append(max(near, key=lambda mode: mode.level_db))
    return placed


def bar_result(bar: Bar, placed: dict[int, list[Mode]], taps: int, *, names: str = "the recording") -> BarResult:
    """Everything that follows from the placed modes; ring-downs and recordings are left empty.

    Raises:
        CalibrationError: fewer than three orders.
    """
    ladder = ", ".join(f"{hz:.1f}" for hz in bar.ladder_hz(4))
    remedy = f"{bar.name} should ring at {ladder} ... Hz: is it this bar, hung free and struck on its flat side?"
    if len(placed) < _LIMITS.least_modes:
        raise CalibrationError(
            f"{names}: {len(placed)} of the bar's bending modes found, {_LIMITS.least_modes} are needed; {remedy}"
        )
    orders = max(placed)
    gaps = orders - min(placed) + 1 - len(placed)
    if gaps > _LIMITS.most_gaps * (orders - min(placed) + 1):
        raise CalibrationError(
            f"{names}: {gaps} modes between the lowest and the highest that fit are missing, so what fits does so by chance; "
            f"{remedy}"
        )
    predicted = bar.ladder_hz(orders)
    loudest = max(mode.level_db for found in placed.values() for mode in found)
    modes = tuple(
        _bar_mode(bar, order, found, float(predicted[order - 1]), loudest) for order, found in sorted(placed.items())
    )
    weight = np.array([(mode.frequency_hz / mode.frequency_u_hz) ** 2 for mode in modes])
    off = np.array([np.log(mode.frequency_hz / mode.predicted_hz) for mode in modes])
    common = float(weight @ off / weight.sum())
    if float(np.std(off, ddof=1)) > _LIMITS.most_scatter:
        raise CalibrationError(
            f"{names}: the modes scatter by {100 * float(np.std(off, ddof=1)):.2f} % about the bar's ladder, a straight bar's by "
            f"less than {100 * _LIMITS.most_scatter:g} %; {remedy}"
        )
    # What the bar's shape adds to single modes counts as scatter about the common factor.
    scatter = float(np.sqrt(weight @ (off - common) ** 2 / weight.sum() / (len(modes) - 1)))
    common_u = hypot(1 / sqrt(float(weight.sum())), scatter)
    size_u = float(np.mean(bar.ladder_u_rel(orders, without=("modulus_pa",))))
    predicted_u = float(np.mean(bar.ladder_u_rel(orders)))
    factor = float(np.exp(common))
    first = next((mode for mode in modes if mode.order == 1), None)
    clock = _clock(bar, factor, common_u, predicted_u, first)
    # Where the clock is known by another way than the modulus, the modulus is that at the true frequency.
    true = clock.factor if clock.separable and bar.reference_hz is not None else 1.0
    modulus = bar.modulus_pa * (factor * true) ** 2
    modulus_u = 2 * modulus * hypot(size_u, common_u, clock.u_rel if true != 1.0 else 0.0)
    slenderness, _, rest = fit_slenderness(
        [mode.order for mode in modes], [mode.frequency_hz for mode in modes], bar.poisson
    )
    return BarResult(
        bar=bar,
        modes=modes,
        taps=taps,
        common_factor=factor,
        common_u_rel=common_u,
        predicted_u_rel=predicted_u,
        modulus_pa=modulus,
        modulus_u_pa=modulus_u,
        standard_modulus_pa=None if first is None else modulus_from_first_mode(bar, first.frequency_hz * true),
        slenderness=slenderness,
        ladder_off_percent=100 * float(np.abs(rest).max()),
        clock=clock,
        reach=_reach(modes),
        ring_downs=(),
        recordings=(),
    )


def _bar_mode(bar: Bar, order: int, found: Sequence[Mode], predicted_hz: float, loudest_db: float) -> BarMode:
    frequency, frequency_u = _together(
        [(m.frequency_hz, hypot(m.frequency_u_hz, _LIMITS.rehang_u_rel * m.frequency_hz)) for m in found]
    )
    damping, damping_u = _together([(m.damping_ratio, m.damping_ratio_u) for m in found])
    return BarMode(
        order=order,
        frequency_hz=frequency,
        frequency_u_hz=frequency_u,
        predicted_hz=predicted_hz,
        damping_ratio=damping,
        damping_ratio_u=damping_u,
        level_db=max(m.level_db for m in found) - loudest_db,
        taps=sum(m.taps for m in found),
        modulus_pa=bar.modulus_pa * (frequency / predicted_hz) ** 2,
    )


def _together(measured: Sequence[tuple[float, float]]) -> tuple[float, float]:
    values, variances = (
        np.array(each) for each in zip(*((value, max(u, 1e-12) ** 2) for value, u in measured), strict=True)
    )
    weight = 1 / variances
    mean, u = float(weight @ values / weight.sum()), float(1 / np.sqrt(weight.sum()))
    return combine_taps(values, variances, mean, u) if len(measured) > 1 else (mean, u)


def _clock(bar: Bar, factor: float, common_u: float, predicted_u: float, first: BarMode | None) -> Clock:
    if bar.reference_hz is not None and first is not None:
        u = hypot(bar.u["reference_hz"] / bar.reference_hz, first.frequency_u_hz / first.frequency_hz)
        return Clock(
            bar.reference_hz / first.frequency_hz,
            u,
            u <= _LIMITS.useful_u_rel,
            f"first mode measured elsewhere as {bar.reference_hz:g} Hz",
        )
    u = hypot(common_u, predicted_u)
    if u <= _LIMITS.useful_u_rel:
        return Clock(1 / factor, u, True, "modulus, size and mass of the bar, which its file knows well enough")
    return Clock(
        1 / factor,
        u,
        False,
        "an error of the clock and one of the modulus move all modes alike, and this bar's file predicts them no better than "
        f"{100 * predicted_u:.2g} %; give its first mode measured elsewhere as frequency_hz under [reference]",
    )


def _reach(modes: Sequence[BarMode]) -> Reach:
    lowest = min(modes, key=lambda mode: mode.order)
    low = [mode for mode in modes if mode.frequency_hz < 400.0]
    slope = None
    if len(low) >= _LIMITS.least_modes:
        octaves = np.log2([mode.frequency_hz for mode in low])
        slope = float(np.polyfit(octaves, [mode.level_db for mode in low], 1)[0])
    return Reach(lowest.frequency_hz, tuple(range(1, lowest.order)), slope)


def _neighbours(mode: BarMode, heard: Sequence[Analysis]) -> float:
    """Distance [Hz] to the nearest other resonance of any recording that is not far below this one."""
    gaps = [
        abs(other.frequency_hz - mode.frequency_hz)
        for each in heard
        for other in each.modes
        if abs(other.frequency_hz / mode.frequency_hz - 1) > 0.004
    ]
    return min(gaps, default=mode.frequency_hz)
