"""Time series of pickups: their quantities and units, how even their sampling must be, and where they clip."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import RecordingError, shown
from taptest.io.source import refusal

Real = NDArray[np.float64]

STANDARD_GRAVITY_M_S2 = 9.80665  # ISO 80000-3 [from memory]; 3rd CGPM, 1901
_MOST_VALUE = 1e12  # more is damaged, or of another byte order than it says
MAX_FRAMES = 20_000_000

# Symbol: quantity and factor to its SI unit.
UNITS: dict[str, tuple[str, float]] = {
    "m/s²": ("acceleration", 1.0),
    "mm/s²": ("acceleration", 1e-3),
    "cm/s²": ("acceleration", 1e-2),
    "g": ("acceleration", STANDARD_GRAVITY_M_S2),
    "mg": ("acceleration", 1e-3 * STANDARD_GRAVITY_M_S2),
    "m/s": ("velocity", 1.0),
    "cm/s": ("velocity", 1e-2),
    "mm/s": ("velocity", 1e-3),
    "µm/s": ("velocity", 1e-6),
    "m": ("displacement", 1.0),
    "cm": ("displacement", 1e-2),
    "mm": ("displacement", 1e-3),
    "µm": ("displacement", 1e-6),
    "V": ("voltage", 1.0),
    "mV": ("voltage", 1e-3),
}
SI_UNITS = {"acceleration": "m/s²", "velocity": "m/s", "displacement": "m", "voltage": "V", "motion": ""}
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "µs": 1e-6}


def _plain(symbol: str) -> str:
    """A unit however it is spelt: "m/s^2", "m_per_s2", "M/S²", "m/sec2", "m/s/s" are one."""
    text = re.sub(r"[\s_()\[\]*.^]+", "", symbol.replace("_per_", "/").casefold())
    text = text.replace("²", "2").replace("µ", "u").replace("μ", "u").replace("sec", "s").replace("/s/s", "/s2")
    return {"volt": "v", "volts": "v", "gn": "g"}.get(text, text)


_BY_SPELLING = {_plain(symbol): symbol for symbol in UNITS}
_TIME_BY_SPELLING = {_plain(symbol): symbol for symbol in TIME_UNITS}


def known_unit(text: str) -> str | None:
    """The symbol of a unit of motion or voltage, however it is spelt; None where it is none."""
    return _BY_SPELLING.get(_plain(text))


def known_time_unit(text: str) -> str | None:
    """The symbol of a unit of time; None where it is none."""
    return _TIME_BY_SPELLING.get(_plain(text))


@dataclass(frozen=True)
class Sensitivity:
    """What a pickup gives for what it feels: ``volt_per_si`` [V per SI unit of ``quantity``]."""

    quantity: str
    volt_per_si: float

    @staticmethod
    def parse(text: str) -> Sensitivity:
        """From "100 mV/g", "10.2 mV/(m/s²)", "4 V/(m/s)".

        Raises:
            RecordingError: it is not a voltage per motion.
        """
        found = re.fullmatch(r"\s*([0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*(m?V)\s*/\s*(.+?)\s*", text)
        unit = known_unit(found[3]) if found else None
        if found is None or unit is None or UNITS[unit][0] == "voltage" or not 0.0 < float(found[1]) < 1e9:
            raise RecordingError(
                f"sensitivity '{shown(text)}': write it as '100 mV/g', '10.2 mV/(m/s2)' or '4 V/(m/s)'"
            )
        quantity, factor = UNITS[unit]
        return Sensitivity(quantity, float(found[1]) * UNITS[found[2]][1] / factor)


@dataclass(frozen=True)
class Reading:
    """What a file need not say itself: its sample rate [Hz], and what a volt in it means."""

    sample_rate_hz: float | None = None
    sensitivity: Sensitivity | None = None

    def __post_init__(self) -> None:
        rate = self.sample_rate_hz
        if rate is not None and not 1.0 <= rate <= 1e7:
            raise RecordingError(f"sample rate {rate:g} Hz: give one between 1 and 10 000 000 Hz")


@dataclass(frozen=True)
class SeriesChannel:
    """One column of a series: its name in the file, what it is, and the SI unit of its values ("" where not known)."""

    name: str
    quantity: str
    unit: str


@dataclass(frozen=True, eq=False)
class Series:
    """``values`` (frames, channels) in the units of ``channels``, evenly sampled."""

    values: Real
    sample_rate_hz: float
    channels: tuple[SeriesChannel, ...]
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Column:
    """Values (frames,) of one channel."""

    values: Real
    channel: SeriesChannel


def series_of(columns: Sequence[Column], sample_rate_hz: float, *, others: bool) -> Series:
    """Columns of one length side by side; ``others``: the file holds other things as well, which are left out."""
    values = np.column_stack([each.values for each in columns])
    flags = ("columns-left-out",) if others else ()
    return Series(values, sample_rate_hz, tuple(each.channel for each in columns), flags)


def in_si(values: Real, name: str, unit: str, sensitivity: Sensitivity | None) -> Column:
    """Values in a known unit as values in SI, volts as motion where the sensitivity says how."""
    quantity, factor = UNITS[unit]
    if quantity == "voltage" and sensitivity is not None:
        quantity, factor = sensitivity.quantity, factor / sensitivity.volt_per_si
    return Column(values * factor, SeriesChannel(name, quantity, SI_UNITS[quantity]))


def even_rate_hz(name: str, time_s: Real, first_line: int | None = None) -> float:
    """The sample rate of time stamps [Hz].

    Raises:
        RecordingError: fewer than two, not increasing, or further from evenly spaced than is accepted.
    """
    if len(time_s) < 2:
        raise refusal(name, f"holds {len(time_s)} samples; a recording of a few seconds is needed")

    def at(index: int) -> str:
        return f"sample {index + 1}" if first_line is None else f"line {first_line + index}"

    steps = np.diff(time_s)
    if steps.min() <= 0.0:
        index = int(np.argmax(steps <= 0.0))
        raise refusal(
            name,
            f"its time does not increase at {at(index + 1)} ({time_s[index]:.9g} s, then {time_s[index + 1]:.9g} s); sort "
            "it, write the time with more digits, or leave the time out and give the sample rate",
        )
    interval = float(time_s[-1] - time_s[0]) / (len(time_s) - 1)
    # About a straight line through the ends; a gap anywhere pushes everything behind it off.
    off = np.abs(time_s - time_s[0] - interval * np.arange(len(time_s))) / interval
    usual, most = float(np.median(steps)), LIMITS.format.uneven_share
    worst = int(np.argmax(np.abs(steps - usual)))
    if off.max() > most:
        raise refusal(
            name,
            f"is sampled unevenly: a time stamp lies {100 * off.max():.0f} % of an interval off an even spacing, at most "
            f"{100 * most:.0f} % is accepted (longest step {steps.max():.6g} s, shortest {steps.min():.6g} s, the "
            f"least usual at {at(worst + 1)}); export it evenly sampled",
        )
    return 1.0 / interval


def refuse_other_rate(name: str, own_hz: float, told_hz: float | None) -> None:
    """Raises: RecordingError where the sample rate that was given is not that of the file."""
    if told_hz is not None and abs(told_hz / own_hz - 1.0) > 1e-3:
        raise refusal(
            name, f"says {own_hz:.6g} Hz itself, the sample rate given is {told_hz:.6g} Hz; leave out the wrong one"
        )


def refuse_not_finite(name: str, values: Real, columns: Sequence[str], first_line: int | None = None) -> None:
    """Raises: RecordingError where a value is no number, with its place, or larger than any motion is."""
    lowest, highest = float(values.min(initial=0.0)), float(values.max(initial=0.0))
    if np.isfinite(lowest) and np.isfinite(highest):
        if max(highest, -lowest) > _MOST_VALUE:
            raise refusal(
                name, f"holds a value of {max(highest, -lowest):.3g}: damaged, or of another byte order than it says"
            )
        return
    frame, channel = np.argwhere(~np.isfinite(values))[0]
    where = f"sample {frame + 1}" if first_line is None else f"line {first_line + frame}"
    found = "NaN" if np.isnan(values[frame, channel]) else "an infinite value"
    raise refusal(
        name,
        f"holds {found} at {where} in '{shown(columns[channel])}'; export it again, or cut that part out",
    )


def clipped_at(values: Real) -> NDArray[np.int64]:
    """First samples of the flat tops of one channel: where a converter or an amplifier was driven to its end.

    A flat top is three and more equal samples at the highest or the lowest value of the whole record, to either side of which
    the signal falls further than rounding lets it: a natural top that is flat for n samples because of the resolution r is a
    parabola that falls by at most 8 r within the n samples before and after (derived: a h² = r at h = n/2, and
    a (3h)² - a h² = 8 r).
    """
    if len(values) < 8 or values.min() == values.max():
        return np.zeros(0, dtype=np.int64)
    steps = np.abs(np.diff(values))
    least_drop = LIMITS.format.clipped_drop * float(steps[steps > 0.0].min())
    span = float(values.max() - values.min())
    found: list[int] = []
    for extreme in (values.max(), values.min()):
        if abs(extreme - np.median(values)) < 0.05 * span:
            continue  # the side on which nothing happens
        flat = np.concatenate(([False], values == extreme, [False])).astype(np.int8)
        starts, stops = np.flatnonzero(np.diff(flat) == 1), np.flatnonzero(np.diff(flat) == -1)
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            count = stop - start
            around = values[max(start - count, 0)], values[min(stop + count, len(values)) - 1]
            if count >= 3 and min(abs(extreme - each) for each in around) > least_drop:
                found.append(start)
    return np.array(sorted(found), dtype=np.int64)


def as_velocity(series: Series) -> Series:
    """The same with displacements as velocities: in those the slow swing in the loops would hide the modes.

    Difference quotient of neighbouring samples, 2 sin(omega T / 2) / T for omega: it leaves frequency and decay of a ring as
    they are. The first one is 0.
    """
    moved = [at for at, each in enumerate(series.channels) if each.quantity == "displacement"]
    if not moved:
        return series
    values = series.values.copy()
    values[:, moved] = np.diff(values[:, moved], axis=0, prepend=values[:1, moved]) * series.sample_rate_hz
    unit = SI_UNITS["velocity"]
    channels = tuple(
        SeriesChannel(each.name, "velocity", unit if each.unit else "") if at in moved else each
        for at, each in enumerate(series.channels)
    )
    return Series(values, series.sample_rate_hz, channels, series.flags)
