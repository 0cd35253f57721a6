"""One gate for every recording: read it, check it, and say in plain words what is wrong with it.

A sound library reads a cut-off WAV short and a WAV that was never closed as empty, both without an error, so the
header's own account of the sound is compared with the size of the file before anything is decoded.
"""

import difflib
import math
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.core.errors import RecordingError, shown
from taptest.io.containers import NAME_CHARACTERS, READABLE, Extent, cut_short, measured_extent, refusal
from taptest.io.phone import MAX_PHONE_BYTES, is_phone_recording, read_phone
from taptest.io.series import MAX_SERIES_BYTES, Reading, Series, as_velocity, clipped_at, resampled
from taptest.io.text_series import read_text_series
from taptest.io.universal import looks_universal, read_universal_series

MIN_SAMPLE_RATE_HZ = 8_000
MAX_SAMPLE_RATE_HZ = 768_000
LOW_SAMPLE_RATE_HZ = 32_000
MIN_PICKUP_RATE_HZ = 200.0
MIN_DURATION_S = 0.1
MAX_DURATION_S = 7_200.0
MAX_DECODED_BYTES = 1_500_000_000
MAX_CHANNELS = 64
# Squares of what lies outside would overflow or vanish; no sound reaches either.
SILENT_LEVEL = 1e-9
MAX_LEVEL = 1e9

_SAMPLE_BYTES = 8
_FLOAT_SUBTYPES = ("FLOAT", "DOUBLE")
_TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
_UNIVERSAL_SUFFIXES = (".uff", ".unv", ".uf", ".bunv")
# Digitisers keep what would alias out up to the sample rate over 2.56 (common practice of signal analysers, no source).
_RATE_PER_BAND = 2.56
_LOSSY_SUBTYPES = ("VORBIS", "OPUS", "MPEG", "ADPCM", "GSM", "G721", "G723", "NMS")


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
        """Up to where it is believed: the sample rate over 2.56, as the filters of digitisers are made."""
        return self.sample_rate_hz / _RATE_PER_BAND


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
    """Read and validate a recording, told apart by content; text alone also by its suffix.

    Sound files (WAV, RF64, FLAC, OGG, MP3, AIFF, CAF and, with the extra ``phone``, m4a, 3gp, AMR; 8 kHz and more), and
    the time series of pickups: universal files (dataset 58) and text (.csv, .tsv, .txt), 200 Hz and more.
    ``reading`` says what such a file need not say itself.

    Raises:
        RecordingError: the file is missing, is not a sound file, is cut short, was never closed, is silent, holds
            values that are not numbers, or is too short, too long or sampled too slowly to be analysed.
    """
    name = str(path)
    try:
        size = _size_of_regular_file(name)
        with Path(name).open("rb") as stream:
            head = stream.read(400)
            kind = _other_than_sound(name, head)
            if kind is not None:
                return _read_other(
                    name, kind, head + stream.read(_most_bytes(kind) - len(head) + 1), reading or Reading()
                )
            if reading is not None and reading != Reading():
                raise refusal(
                    name, "is a sound file, which has its own sample rate; leave out --sample-rate and --sensitivity"
                )
            stream.seek(0)
            extent = measured_extent(stream, size, name)
        return _decode(name, extent)
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


def _other_than_sound(name: str, head: bytes) -> str | None:
    """What a file is that no sound library reads: "phone", "universal" or "text"."""
    suffix = Path(name).suffix.casefold()
    if is_phone_recording(head):
        return "phone"
    if looks_universal(head) or suffix in _UNIVERSAL_SUFFIXES:
        return "universal"
    return "text" if suffix in _TEXT_SUFFIXES else None


def _most_bytes(kind: str) -> int:
    return MAX_PHONE_BYTES if kind == "phone" else MAX_SERIES_BYTES


def _read_other(name: str, kind: str, data: bytes, reading: Reading) -> Recording:
    if len(data) > _most_bytes(kind):
        raise refusal(name, f"holds more than {_most_bytes(kind) / 1e6:.0f} MB; cut out the part with the taps")
    if kind == "phone":
        samples, rate = read_phone(name, data, max_bytes=MAX_DECODED_BYTES, max_seconds=MAX_DURATION_S)
        _check_size(name, samples.shape[0], samples.shape[1], rate)
        return _validated(name, rate, samples, floating=True, flags=("lossy",))
    read = read_universal_series if kind == "universal" else read_text_series
    return _of_pickup(name, read(name, data, reading))


def _of_pickup(name: str, series: Series) -> Recording:
    """A series through the same gate: scaled to its largest deviation, at a whole number of hertz."""
    rate = round(series.sample_rate_hz)
    if abs(rate / series.sample_rate_hz - 1.0) > 1e-6:
        rate = math.ceil(series.sample_rate_hz)
    frames, count = series.values.shape
    if series.sample_rate_hz < MIN_PICKUP_RATE_HZ * (1 - 1e-6):
        raise refusal(
            name,
            f"is sampled at {series.sample_rate_hz:.6g} Hz; a pickup needs at least {MIN_PICKUP_RATE_HZ:.0f} Hz, better "
            "2000 Hz and more; record again",
        )
    _check_size(name, frames, count, rate, least_hz=int(MIN_PICKUP_RATE_HZ))
    clipped_s = [tuple((clipped_at(each) / series.sample_rate_hz).tolist()) for each in series.values.T]
    series = as_velocity(series)
    offset = np.median(series.values, axis=0)
    size = np.abs(series.values - offset).max(axis=0)
    channels = tuple(
        PickupChannel(
            each.name,
            each.quantity,
            each.unit,
            float(size[at] or 1.0),
            float(offset[at]),
            clipped_s[at],
        )
        for at, each in enumerate(series.channels)
    )
    scaled = (series.values - offset) / np.array([each.full_scale for each in channels])
    if rate / series.sample_rate_hz - 1.0 > 1e-6:
        scaled = resampled(scaled, series.sample_rate_hz, rate)
    checked = _validated(name, rate, scaled, floating=True, flags=series.flags, microphone=False)
    return Recording(
        name, rate, checked.samples, float("inf"), checked.flags, Pickup(float(series.sample_rate_hz), channels)
    )


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
    _check_size(name, shaped.shape[0], shaped.shape[1], int(sample_rate_hz))
    values = np.array(shaped, dtype=np.float64)
    if scale is not None:
        values *= scale
    return _validated(name, int(sample_rate_hz), values, floating=scale is None, flags=())


def _decode(name: str, extent: Extent) -> Recording:
    import soundfile  # late: loads a shared library

    try:
        # An absolute path: the library takes "-" for standard input.
        with soundfile.SoundFile(os.path.abspath(name)) as sound:  # noqa: PTH100 (resolve() would follow links)
            frames, channels, rate = int(sound.frames), int(sound.channels), int(sound.samplerate)
            subtype, container = str(sound.subtype), str(sound.format)
            _check_size(name, frames, channels, rate)
            values: NDArray[np.float64] = sound.read(dtype="float64", always_2d=True)
    except TypeError:
        raise refusal(name, "is named like sound without a header; rename it to what it is, such as .wav") from None
    except (soundfile.SoundFileError, RuntimeError) as problem:
        text = shown(str(problem).rsplit(": ", 1)[-1].strip().rstrip("."), 120)
        raise refusal(name, f"is damaged or cut short ({text}); copy it again from where it was recorded") from problem
    if values.shape[0] < frames:
        raise cut_short(name, values.shape[0] / rate, frames / rate)
    flags = []
    if container == "MP3" or subtype.startswith(_LOSSY_SUBTYPES) or "ADPCM" in subtype:
        flags.append("lossy")
    if extent.bytes_after:
        flags.append("bytes-after-sound")
    return _validated(name, rate, values, floating=subtype in _FLOAT_SUBTYPES, flags=tuple(flags))


def _check_size(
    name: str, frames: int, channels: int, sample_rate_hz: int, *, least_hz: int = MIN_SAMPLE_RATE_HZ
) -> None:
    """Everything that the header alone decides: before a single sample is decoded or allocated."""
    if not 1 <= channels <= MAX_CHANNELS:
        raise refusal(
            name, f"has {channels} channels; 1 to {MAX_CHANNELS} are read, as (frames, channels): damaged header?"
        )
    if sample_rate_hz < least_hz:
        raise refusal(
            name,
            f"is sampled at {sample_rate_hz} Hz; at least {least_hz} Hz is needed; record at 44100 or 48000 Hz",
        )
    if sample_rate_hz > MAX_SAMPLE_RATE_HZ:
        raise refusal(
            name, f"is sampled at {sample_rate_hz} Hz; at most {MAX_SAMPLE_RATE_HZ} Hz is read: damaged header?"
        )
    if frames <= 0:
        raise refusal(name, "holds no sound (0 frames); record again")
    duration_s = frames / sample_rate_hz
    decoded_bytes = frames * channels * _SAMPLE_BYTES
    if duration_s > MAX_DURATION_S or decoded_bytes > MAX_DECODED_BYTES:
        raise refusal(
            name,
            f"claims {frames} frames of {channels} channels at {sample_rate_hz} Hz ({duration_s / 60:.1f} min, "
            f"{decoded_bytes / 1e6:.0f} MB decoded); at most {MAX_DURATION_S / 60:.0f} min and "
            f"{MAX_DECODED_BYTES / 1e6:.0f} MB are read; cut out the part with the taps",
        )
    if duration_s < MIN_DURATION_S:
        raise refusal(
            name,
            f"lasts {duration_s:.4f} s ({frames} frames), shorter than a tap; at least {MIN_DURATION_S} s is needed; "
            "let the ski ring for a second or two before stopping",
        )


def _validated(
    name: str,
    sample_rate_hz: int,
    values: NDArray[np.float64],
    *,
    floating: bool,
    flags: tuple[str, ...],
    microphone: bool = True,
) -> Recording:
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
    if peak > MAX_LEVEL:
        raise refusal(
            name, f"has a peak of {peak:.3g} times full scale, at most {MAX_LEVEL:.0e} is read; export it again"
        )
    silent = (lowest == highest) | (np.maximum(highest, -lowest) < SILENT_LEVEL)
    if silent.all():
        level = "zero" if peak < SILENT_LEVEL else "the same value"
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
    if microphone and sample_rate_hz < LOW_SAMPLE_RATE_HZ:
        flags += ("low-sample-rate",)
    full_scale = float("inf") if floating and peak > 1.0 else 1.0
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
