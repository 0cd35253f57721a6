"""One gate for every recording: read it, check it, and say in plain words what is wrong with it.

Which files can be read, and by what, stands in `taptest.io.formats`.
"""

import difflib
import math
import os
import stat
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import RecordingError, shown
from taptest.io.formats import HEAD_BYTES, READABLE, format_of
from taptest.io.resampling import at_slightly_higher_rate
from taptest.io.series import Reading, Series, as_velocity, clipped_at
from taptest.io.source import NAME_CHARACTERS, Sound, Source, check_size, refusal

# Squares of what lies outside would overflow or vanish; no sound reaches either.
_SILENT_LEVEL = 1e-9
_MOST_LEVEL = 1e9


@dataclass(frozen=True)
class PickupChannel:
    """What one channel of samples means: value = offset + sample · full_scale [``unit``, "" where the file has none].

    ``clipped_s``: times at which the pickup or its converter was driven to its end.
    """

    name: str
    quantity: str
    unit: str
    full_scale: float
    offset: float
    clipped_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class Pickup:
    """Where a recording is of no microphone: the sample rate in the file [Hz] and what its channels are."""

    sample_rate_hz: float
    channels: tuple[PickupChannel, ...]

    @property
    def high_hz(self) -> float:
        """Up to where it is believed: digitisers filter out what would alias."""
        return self.sample_rate_hz / LIMITS.format.pickup_rate_per_band


@dataclass(frozen=True, eq=False)
class Recording:
    """A sound that has passed every check: finite, not silent, long enough, complete.

    ``samples`` is (frames, channels), 1.0 being the full scale of an integer format. ``peak_full_scale`` is the level
    at which this recording clips: 1.0, or infinity for a floating-point one that goes above 1.
    ``flags`` may hold ``lossy`` (compressed with loss), ``low-sample-rate`` (below 32 kHz), ``silent-channel``
    and ``bytes-after-sound`` (the file goes on after the sound its header announces).
    Of a pickup ``pickup`` says what was measured; 1.0 is then the largest deviation from the median of each channel, and
    ``flags`` may hold ``columns-left-out`` (the file holds other things as well).
    """

    path: str
    sample_rate_hz: int
    samples: NDArray[np.float64]
    peak_full_scale: float
    flags: tuple[str, ...] = ()
    pickup: Pickup | None = None

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Duration [s], frames / sample rate."""
        return len(self.samples) / self.sample_rate_hz


def read_recording(path: str | Path, reading: Reading | None = None) -> Recording:
    """Read and validate a recording, told apart by content; text alone by its suffix.

    Args:
        path: a sound file (WAV, RF64, FLAC, OGG, MP3, AIFF, CAF and, with the extra ``phone``, m4a, 3gp, AMR; 8 kHz and more),
            or the time series of pickups: a universal file (dataset 58) or a text (.csv, .tsv, .txt), 200 Hz and more.
        reading: sample rate and sensitivity of a pickup's series that does not say them itself.

    Raises:
        RecordingError: the file is missing, of no known format, cut short, never closed, silent, holds values that are
            not numbers, or is too short, too long or sampled too slowly to be analysed; or ``reading`` was given for sound.
    """
    name = str(path)
    reading = reading or Reading()
    try:
        size = _size_of_regular_file(name)
        with Path(name).open("rb") as stream:
            head = stream.read(HEAD_BYTES)
            kind = format_of(head, Path(name).suffix)
            if kind is None:
                raise _foreign(name, head)
            if kind.most_bytes is not None and size > kind.most_bytes:
                raise refusal(name, f"holds more than {kind.most_bytes / 1e6:.0f} MB; cut out the part with the taps")
            if reading != Reading() and not kind.pickup:
                raise refusal(
                    name, "is a sound file, which has its own sample rate; leave out --sample-rate and --sensitivity"
                )
            found = kind.read(Source(name, stream, size, head, reading))
        return _validated(name, found) if isinstance(found, Sound) else _of_pickup(name, found)
    except RecordingError:
        raise
    except PermissionError:
        raise refusal(
            name, "may not be read (permission denied); allow reading it or copy it to another folder"
        ) from None
    except (OSError, ValueError) as problem:
        raise refusal(
            name, f"cannot be read ({shown(_reason(problem), 120)}); check the name and the disk, or copy it again"
        ) from problem
    except MemoryError:
        raise refusal(name, "does not fit into memory; cut it into shorter recordings") from None


def read_sound(path: str | Path) -> Recording:
    """`read_recording` for what needs a microphone's sound.

    Raises:
        RecordingError: as there, or it is the series of a pickup, which hears no room and is not listened to while it grows.
    """
    recording = read_recording(path)
    if recording.pickup is not None:
        raise refusal(
            recording.path,
            "is not a sound file but a pickup's series, which analyse and check take; name a sound file here",
        )
    return recording


def _of_pickup(name: str, series: Series) -> Recording:
    """A series through the same gate: scaled to its largest deviation, at a whole number of hertz."""
    rate = round(series.sample_rate_hz)
    if abs(rate / series.sample_rate_hz - 1.0) > 1e-6:
        rate = math.ceil(series.sample_rate_hz)
    frames, count = series.values.shape
    least_hz = LIMITS.format.least_pickup_rate_hz
    if series.sample_rate_hz < least_hz * (1 - 1e-6):
        raise refusal(
            name,
            f"is sampled at {series.sample_rate_hz:.6g} Hz; a pickup needs at least {least_hz:.0f} Hz, better 2000 Hz and "
            "more; record again",
        )
    check_size(name, frames, count, rate, least_hz=least_hz)
    clipped_s = [tuple((clipped_at(each) / series.sample_rate_hz).tolist()) for each in series.values.T]
    series = as_velocity(series)
    offset = np.median(series.values, axis=0)
    size = np.abs(series.values - offset).max(axis=0)
    channels = tuple(
        PickupChannel(each.name, each.quantity, each.unit, float(size[at] or 1.0), float(offset[at]), clipped_s[at])
        for at, each in enumerate(series.channels)
    )
    scaled = (series.values - offset) / np.array([each.full_scale for each in channels])
    if rate / series.sample_rate_hz - 1.0 > 1e-6:
        scaled = at_slightly_higher_rate(scaled, series.sample_rate_hz, rate)
    checked = _validated(name, Sound(scaled, rate, floating=True, flags=series.flags), microphone=False)
    return replace(checked, peak_full_scale=math.inf, pickup=Pickup(float(series.sample_rate_hz), channels))


def from_samples(samples: ArrayLike, sample_rate_hz: int, *, name: str = "samples") -> Recording:
    """The same validation for an array: (frames,) or (frames, channels), floating point or 16/32-bit integer.

    Integers are divided by 2¹⁵ or 2³¹; a copy is kept.

    Raises:
        RecordingError: as `read_recording`, or the array has another shape or kind of number.
    """
    try:
        given = np.asarray(samples)
    except ValueError:
        raise refusal(name, "is not a regular array of numbers; give (frames,) or (frames, channels)") from None
    scale = {"int16": 2.0**-15, "int32": 2.0**-31}.get(given.dtype.name)
    if scale is None and given.dtype.kind != "f":
        raise refusal(name, f"is an array of {given.dtype.name}; give floating-point samples, or int16 or int32")
    if given.ndim not in (1, 2):
        raise refusal(name, f"is an array of shape {given.shape}; give (frames,) or (frames, channels)")
    if isinstance(sample_rate_hz, bool) or not isinstance(sample_rate_hz, int | np.integer):
        raise refusal(name, f"has the sample rate {shown(sample_rate_hz)}; give a whole number of hertz")
    shaped = given.reshape(-1, 1) if given.ndim == 1 else given
    check_size(name, shaped.shape[0], shaped.shape[1], int(sample_rate_hz))
    values = np.array(shaped, dtype=np.float64)
    if scale is not None:
        values *= scale
    return _validated(name, Sound(values, int(sample_rate_hz), floating=scale is None))


def _validated(name: str, sound: Sound, *, microphone: bool = True) -> Recording:
    values, sample_rate_hz, flags = sound.values, sound.sample_rate_hz, sound.flags
    # A minimum and a maximum find NaN, infinity, silence and the peak in two passes without a temporary array.
    axis = None if values.shape[1] == 1 else 0
    lowest, highest = np.atleast_1d(values.min(axis=axis)), np.atleast_1d(values.max(axis=axis))
    if not (np.isfinite(lowest).all() and np.isfinite(highest).all()):
        frame, channel = np.argwhere(~np.isfinite(values))[0]
        found = "NaN" if np.isnan(values[frame, channel]) else "an infinite value"
        raise refusal(
            name,
            f"holds {found} in channel {channel + 1}, first at frame {frame} ({frame / sample_rate_hz:.3f} s); "
            "export it again from the recording program, best as 16- or 24-bit WAV",
        )
    peak = float(max(highest.max(), -lowest.min()))
    if peak > _MOST_LEVEL:
        raise refusal(
            name, f"has a peak of {peak:.3g} times full scale, at most {_MOST_LEVEL:.0e} is read; export it again"
        )
    silent = (lowest == highest) | (np.maximum(highest, -lowest) < _SILENT_LEVEL)
    if silent.all():
        level = "zero" if peak < _SILENT_LEVEL else "the same value"
        raise refusal(
            name,
            f"is silent: every sample is {level}; "
            + (
                "the microphone is muted, the wrong input is chosen or the recording program lacks permission to use the "
                "microphone"
                if microphone
                else "the pickup is not connected or the wrong input was recorded"
            ),
        )
    if silent.any():
        flags += ("silent-channel",)
    if microphone and sample_rate_hz < LIMITS.format.low_sample_rate_hz:
        flags += ("low-sample-rate",)
    full_scale = math.inf if sound.floating and peak > 1.0 else 1.0
    return Recording(name, sample_rate_hz, values, full_scale, flags)


def _size_of_regular_file(name: str) -> int:
    path = Path(name)
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        raise _missing(path) from None
    if stat.S_ISDIR(status.st_mode):
        raise refusal(name, "is a folder; name the sound files in it")
    if not stat.S_ISREG(status.st_mode):
        # Opening a pipe or a device could wait for ever.
        raise refusal(name, f"is a pipe or a device, not a file; save the sound as {READABLE} first")
    if status.st_size == 0:
        raise refusal(name, "is empty (0 bytes); record or copy it again")
    return status.st_size


def _foreign(name: str, head: bytes) -> RecordingError:
    if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"FORM") and len(head) < 12:
        return refusal(name, f"is cut short inside its header ({len(head)} bytes); copy it again")
    start = head[:16]
    text = not any(byte < 32 and byte not in b"\t\r\n" for byte in start)
    begins = f"it begins with the text '{shown(start.decode('utf-8', 'replace'))}'" if text else "its contents say so"
    return refusal(name, f"is not a sound file ({begins}); can be read: {READABLE}")


def _missing(path: Path) -> RecordingError:
    folder = path.parent.absolute()
    if not folder.is_dir():
        return refusal(str(path), f"not found: there is no folder {shown(folder, NAME_CHARACTERS)}; check the path")
    try:
        near = difflib.get_close_matches(path.name, sorted(os.listdir(folder))[:2000], n=1, cutoff=0.75)  # noqa: PTH208 (names only)
    except OSError:
        near = []
    guess = f"did you mean {shown(near[0])}?" if near else "check the name"
    return refusal(shown(path.name, NAME_CHARACTERS), f"not found in {shown(folder, NAME_CHARACTERS)}; {guess}")


def _reason(problem: Any) -> str:
    return getattr(problem, "strerror", None) or str(problem)
