"""One gate for every recording: read it, check it, and say in plain words what is wrong with it.

A sound library reads a cut-off WAV short and a WAV that was never closed as empty, both without an error, so the
header's own account of the sound is compared with the size of the file before anything is decoded.
"""

import difflib
import os
import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptest.errors import RecordingError, shown

MIN_SAMPLE_RATE_HZ = 8_000
MAX_SAMPLE_RATE_HZ = 768_000
LOW_SAMPLE_RATE_HZ = 32_000
MIN_DURATION_S = 0.1
MAX_DURATION_S = 7_200.0
MAX_DECODED_BYTES = 1_500_000_000
MAX_CHANNELS = 64
# Squares of what lies outside would overflow or vanish; no sound reaches either.
SILENT_LEVEL = 1e-9
MAX_LEVEL = 1e9
READABLE = "WAV, RF64, FLAC, OGG, MP3, AIFF or CAF"

_SAMPLE_BYTES = 8
_MAX_CHUNKS = 10_000
# What recorders write into a header before they know the length.
_OPEN_LENGTHS = (0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000)
_OGG_PAGE_BYTES = 65_307
_NAME_CHARACTERS = 200
_FLOAT_SUBTYPES = ("FLOAT", "DOUBLE")
_LOSSY_SUBTYPES = ("VORBIS", "OPUS", "MPEG", "ADPCM", "GSM", "G721", "G723", "NMS")
_UNCLOSED = (
    "the recorder probably did not close the file; stop the recording before unplugging or switching off, "
    "or open the file in a sound editor that can repair the header and save it again as WAV"
)


@dataclass(frozen=True, eq=False)
class Recording:
    """A sound that has passed every check: finite, not silent, long enough, complete.

    ``samples`` is (frames, channels), 1.0 being the full scale of an integer format. ``peak_full_scale`` is the level
    at which this recording clips: 1.0, or infinity for a floating-point one that goes above 1.
    ``flags`` may hold ``lossy`` (compressed with loss), ``low-sample-rate`` (below 32 kHz), ``silent-channel``
    and ``bytes-after-sound`` (the file goes on after the sound its header announces).
    """

    path: str
    sample_rate_hz: int
    samples: NDArray[np.float64]
    peak_full_scale: float
    flags: tuple[str, ...] = ()

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Duration [s], frames / sample rate."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True)
class _Extent:
    """What a header says about its sound, against what the file holds."""

    claimed_bytes: int
    found_bytes: int
    bytes_per_second: float = 0.0
    bytes_after: bool = False


def read_recording(path: str | Path) -> Recording:
    """Read and validate a sound file (WAV, RF64, FLAC, OGG, MP3, AIFF, CAF; 8 kHz and more; told apart by content).

    Raises:
        RecordingError: the file is missing, is not a sound file, is cut short, was never closed, is silent, holds
            values that are not numbers, or is too short, too long or sampled too slowly to be analysed.
    """
    name = str(path)
    try:
        size = _size_of_regular_file(name)
        with Path(name).open("rb") as stream:
            extent = _measured_extent(stream, size, name)
        return _decode(name, extent)
    except RecordingError:
        raise
    except PermissionError:
        raise _refusal(
            name, "may not be read (permission denied); allow reading it or copy it to another folder"
        ) from None
    except (OSError, ValueError) as problem:
        raise _refusal(
            name, f"cannot be read ({shown(_reason(problem), 120)}); check the name and the disk, or copy it again"
        ) from problem
    except MemoryError:
        raise _refusal(name, "does not fit into memory; cut it into shorter recordings") from None


def from_samples(samples: ArrayLike, sample_rate_hz: int, *, name: str = "samples") -> Recording:
    """The same validation for an array: (frames,) or (frames, channels), floating point or 16/32-bit integer.

    Integers are divided by 2¹⁵ or 2³¹; a copy is kept.

    Raises:
        RecordingError: as `read_recording`, or the array has another shape or kind of number.
    """
    try:
        given = np.asarray(samples)
    except ValueError:
        raise _refusal(name, "is not a regular array of numbers; give (frames,) or (frames, channels)") from None
    scale = {"int16": 2.0**-15, "int32": 2.0**-31}.get(given.dtype.name)
    if scale is None and given.dtype.kind != "f":
        raise _refusal(name, f"is an array of {given.dtype.name}; give floating-point samples, or int16 or int32")
    if given.ndim not in (1, 2):
        raise _refusal(name, f"is an array of shape {given.shape}; give (frames,) or (frames, channels)")
    if isinstance(sample_rate_hz, bool) or not isinstance(sample_rate_hz, int | np.integer):
        raise _refusal(name, f"has the sample rate {shown(sample_rate_hz)}; give a whole number of hertz")
    shaped = given.reshape(-1, 1) if given.ndim == 1 else given
    _check_size(name, shaped.shape[0], shaped.shape[1], int(sample_rate_hz))
    values = np.array(shaped, dtype=np.float64)
    if scale is not None:
        values *= scale
    return _validated(name, int(sample_rate_hz), values, floating=scale is None, flags=())


def _decode(name: str, extent: _Extent) -> Recording:
    import soundfile  # late: loads a shared library

    try:
        # An absolute path: the library takes "-" for standard input.
        with soundfile.SoundFile(os.path.abspath(name)) as sound:  # noqa: PTH100 (resolve() would follow links)
            frames, channels, rate = int(sound.frames), int(sound.channels), int(sound.samplerate)
            subtype, container = str(sound.subtype), str(sound.format)
            _check_size(name, frames, channels, rate)
            values: NDArray[np.float64] = sound.read(dtype="float64", always_2d=True)
    except TypeError:
        raise _refusal(name, "is named like sound without a header; rename it to what it is, such as .wav") from None
    except (soundfile.SoundFileError, RuntimeError) as problem:
        text = shown(str(problem).rsplit(": ", 1)[-1].strip().rstrip("."), 120)
        raise _refusal(name, f"is damaged or cut short ({text}); copy it again from where it was recorded") from problem
    if values.shape[0] < frames:
        raise _cut_short(name, values.shape[0] / rate, frames / rate)
    flags = []
    if container == "MP3" or subtype.startswith(_LOSSY_SUBTYPES) or "ADPCM" in subtype:
        flags.append("lossy")
    if extent.bytes_after:
        flags.append("bytes-after-sound")
    return _validated(name, rate, values, floating=subtype in _FLOAT_SUBTYPES, flags=tuple(flags))


def _check_size(name: str, frames: int, channels: int, sample_rate_hz: int) -> None:
    """Everything that the header alone decides: before a single sample is decoded or allocated."""
    if not 1 <= channels <= MAX_CHANNELS:
        raise _refusal(
            name, f"has {channels} channels; 1 to {MAX_CHANNELS} are read, as (frames, channels): damaged header?"
        )
    if sample_rate_hz < MIN_SAMPLE_RATE_HZ:
        raise _refusal(
            name,
            f"is sampled at {sample_rate_hz} Hz; at least {MIN_SAMPLE_RATE_HZ} Hz is needed; "
            "record at 44100 or 48000 Hz",
        )
    if sample_rate_hz > MAX_SAMPLE_RATE_HZ:
        raise _refusal(
            name, f"is sampled at {sample_rate_hz} Hz; at most {MAX_SAMPLE_RATE_HZ} Hz is read: damaged header?"
        )
    if frames <= 0:
        raise _refusal(name, "holds no sound (0 frames); record again")
    duration_s = frames / sample_rate_hz
    decoded_bytes = frames * channels * _SAMPLE_BYTES
    if duration_s > MAX_DURATION_S or decoded_bytes > MAX_DECODED_BYTES:
        raise _refusal(
            name,
            f"claims {frames} frames of {channels} channels at {sample_rate_hz} Hz ({duration_s / 60:.1f} min, "
            f"{decoded_bytes / 1e6:.0f} MB decoded); at most {MAX_DURATION_S / 60:.0f} min and "
            f"{MAX_DECODED_BYTES / 1e6:.0f} MB are read; cut out the part with the taps",
        )
    if duration_s < MIN_DURATION_S:
        raise _refusal(
            name,
            f"lasts {duration_s:.4f} s ({frames} frames), shorter than a tap; at least {MIN_DURATION_S} s is needed; "
            "let the ski ring for a second or two before stopping",
        )


def _validated(
    name: str, sample_rate_hz: int, values: NDArray[np.float64], *, floating: bool, flags: tuple[str, ...]
) -> Recording:
    # A minimum and a maximum find NaN, infinity, silence and the peak in two passes without a temporary array.
    axis = None if values.shape[1] == 1 else 0
    lowest, highest = np.atleast_1d(values.min(axis=axis)), np.atleast_1d(values.max(axis=axis))
    if not (np.isfinite(lowest).all() and np.isfinite(highest).all()):
        frame, channel = np.argwhere(~np.isfinite(values))[0]
        found = "NaN" if np.isnan(values[frame, channel]) else "an infinite value"
        raise _refusal(
            name,
            f"holds {found} in channel {channel + 1}, first at frame {frame} ({frame / sample_rate_hz:.3f} s); "
            "export it again from the recording program, best as 16- or 24-bit WAV",
        )
    peak = float(max(highest.max(), -lowest.min()))
    if peak > MAX_LEVEL:
        raise _refusal(
            name, f"has a peak of {peak:.3g} times full scale, at most {MAX_LEVEL:.0e} is read; export it again"
        )
    silent = (lowest == highest) | (np.maximum(highest, -lowest) < SILENT_LEVEL)
    if silent.all():
        level = "zero" if peak < SILENT_LEVEL else "the same value"
        raise _refusal(
            name,
            f"is silent: every sample is {level}; the microphone is muted, the wrong input is chosen or the "
            "recording program lacks permission to use the microphone",
        )
    if silent.any():
        flags += ("silent-channel",)
    if sample_rate_hz < LOW_SAMPLE_RATE_HZ:
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
        raise _refusal(name, "is a folder; name the sound files in it")
    if not stat.S_ISREG(status.st_mode):
        # Opening a pipe or a device could wait for ever.
        raise _refusal(name, f"is a pipe or a device, not a file; save the sound as {READABLE} first")
    if status.st_size == 0:
        raise _refusal(name, "is empty (0 bytes); record or copy it again")
    return status.st_size


def _missing(path: Path) -> RecordingError:
    folder = path.parent.absolute()
    if not folder.is_dir():
        return _refusal(str(path), f"not found: there is no folder {shown(folder, _NAME_CHARACTERS)}; check the path")
    try:
        near = difflib.get_close_matches(path.name, sorted(os.listdir(folder))[:2000], n=1, cutoff=0.75)  # noqa: PTH208 (names only)
    except OSError:
        near = []
    guess = f"did you mean {shown(near[0])}?" if near else "check the name"
    return _refusal(shown(path.name, _NAME_CHARACTERS), f"not found in {shown(folder, _NAME_CHARACTERS)}; {guess}")


def _measured_extent(stream: BinaryIO, size: int, name: str) -> _Extent:
    """Tell the container by its first bytes, walk it, and refuse it where header and file size disagree."""
    head = stream.read(16)
    form = head[8:12]
    if head[:4] in (b"RIFF", b"RIFX", b"RF64") and form == b"WAVE":
        extent = _wave_extent(stream, size, head[:4], name)
    elif head[:4] == b"FORM" and form in (b"AIFF", b"AIFC"):
        extent = _aiff_extent(stream, size, name)
    elif head[:4] == b"caff":
        extent = _caf_extent(stream, size, name)
    elif head[:4] == b"fLaC":
        return _flac_extent(stream, size, name)
    elif head[:4] == b"OggS":
        return _ogg_extent(stream, size, name)
    elif head[:3] == b"ID3" or _is_mpeg_audio(head):
        return _mp3_extent(stream, size, head, name)
    else:
        raise _foreign(name, head)
    if extent.claimed_bytes == 0 and extent.found_bytes > 0:
        raise _refusal(
            name, f"its header says 0 frames although {extent.found_bytes} bytes of data follow: {_UNCLOSED}"
        )
    if extent.claimed_bytes in _OPEN_LENGTHS and extent.found_bytes < extent.claimed_bytes:
        raise _refusal(
            name,
            f"its header leaves the length open ({extent.claimed_bytes} bytes) and {extent.found_bytes} bytes of data "
            f"follow: {_UNCLOSED}",
        )
    if extent.claimed_bytes > extent.found_bytes:
        if extent.bytes_per_second > 0.0:
            raise _cut_short(
                name,
                extent.found_bytes / extent.bytes_per_second,
                extent.claimed_bytes / extent.bytes_per_second,
                f", {extent.found_bytes} of {extent.claimed_bytes} bytes",
            )
        raise _refusal(
            name, f"is cut short: {extent.found_bytes} of {extent.claimed_bytes} bytes of sound; copy it again"
        )
    return extent


def _chunks(stream: BinaryIO, size: int, start: int, layout: str, *, pad: bool) -> Iterator[tuple[bytes, int, int]]:
    """Identifier, claimed length and position of each chunk of an interchange file, without reading its contents."""
    header = struct.Struct(layout)
    position = start
    for _ in range(_MAX_CHUNKS):
        stream.seek(position)
        head = stream.read(header.size)
        if len(head) < header.size:
            return
        identifier, length = header.unpack(head)
        position += header.size
        yield identifier, length, position
        if length < 0:
            return
        position += length + (length & 1 if pad else 0)
        if position >= size:
            return


def _wave_extent(stream: BinaryIO, size: int, magic: bytes, name: str) -> _Extent:
    """RIFF/WAVE (IBM and Microsoft, Multimedia Programming Interface, 1991); RF64 after EBU Tech 3306."""
    order = ">" if magic == b"RIFX" else "<"
    bytes_per_second, long_length = 0.0, None
    for identifier, length, position in _chunks(stream, size, 12, f"{order}4sI", pad=True):
        if identifier == b"ds64" and magic == b"RF64":
            body = stream.read(16)
            if len(body) == 16:
                long_length = struct.unpack("<QQ", body)[1]  # RIFF size, then the data chunk's
        elif identifier == b"fmt ":
            body = stream.read(12)
            if len(body) == 12:
                bytes_per_second = float(struct.unpack(f"{order}HHII", body)[3])
        elif identifier == b"data":
            claimed = long_length if long_length is not None and length == 0xFFFFFFFF else length
            after = _goes_on(stream, size, position + claimed + (claimed & 1))
            return _Extent(claimed, size - position, bytes_per_second, after)
    raise _headless(name, size)


def _goes_on(stream: BinaryIO, size: int, position: int) -> bool:
    """Whether something follows the sound that is not another chunk."""
    stream.seek(min(position, size))
    head = stream.read(8)
    if not head.strip(b"\0"):
        return False
    return not (len(head) == 8 and all(32 <= byte < 127 for byte in head[:4]))


def _aiff_extent(stream: BinaryIO, size: int, name: str) -> _Extent:
    """AIFF and AIFF-C (Apple, Audio Interchange File Format 1.3, 1989): COMM describes, SSND holds the sound."""
    frame_bytes, frames = 0, None
    sound: tuple[int, int] | None = None
    for identifier, length, position in _chunks(stream, size, 12, ">4sI", pad=True):
        if identifier == b"COMM":
            body = stream.read(8)
            if len(body) == 8:
                channels, frames, bits = struct.unpack(">hIh", body)
                frame_bytes = channels * ((bits + 7) // 8)
        elif identifier == b"SSND":
            sound = (max(length - 8, 0), max(size - position - 8, 0))
    if sound is None:
        raise _headless(name, size)
    claimed, found = sound
    if frames == 0 and found > frame_bytes:
        claimed = 0
    return _Extent(claimed, found)


def _caf_extent(stream: BinaryIO, size: int, name: str) -> _Extent:
    """CAF (Apple, Core Audio Format 1.0): 64-bit chunks; -1 leaves the length of the last one open."""
    for identifier, length, position in _chunks(stream, size, 8, ">4sq", pad=False):
        if identifier == b"data":
            found = max(size - position - 4, 0)  # an edit count stands before the samples
            return _Extent(found if length < 0 else max(length - 4, 0), found)
    raise _headless(name, size)


def _flac_extent(stream: BinaryIO, size: int, name: str) -> _Extent:
    """FLAC (RFC 9639, section 8.2): STREAMINFO holds a 36-bit number of frames, 0 where the encoder never knew it."""
    stream.seek(0)
    body = stream.read(42)
    if len(body) < 42:
        raise _headless(name, size)
    if int.from_bytes(body[21:26], "big") & 0xFFFFFFFFF == 0:
        raise _refusal(name, f"its header does not say how long it is: {_UNCLOSED}")
    return _Extent(size, size)


def _ogg_extent(stream: BinaryIO, size: int, name: str) -> _Extent:
    """Ogg (RFC 3533, section 6): pages of up to 65307 bytes; the last one is marked as such and fills the file."""
    start = max(0, size - 2 * _OGG_PAGE_BYTES)
    stream.seek(start)
    tail = stream.read()
    at = tail.rfind(b"OggS")
    page = tail[at:] if at >= 0 else b""
    complete = False
    if len(page) >= 27 and len(page) >= 27 + page[26]:
        complete = len(page) >= 27 + page[26] + sum(page[27 : 27 + page[26]])
    if not (complete and page[5] & 4):
        raise _refusal(name, "is cut short: the last page of its sound is missing; copy it again or record again")
    return _Extent(size, size)


def _is_mpeg_audio(head: bytes) -> bool:
    """An MPEG audio frame header (ISO/IEC 11172-3, 2.4.1.3); layer bits 00 would be an AAC stream."""
    return len(head) >= 3 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 0x06 != 0


def _mp3_extent(stream: BinaryIO, size: int, head: bytes, name: str) -> _Extent:
    """MP3: most encoders write the number of bytes into a "Xing" or "Info" entry of the first frame."""
    start = 0
    if head[:3] == b"ID3" and len(head) >= 10:
        start = 10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:10], (21, 14, 7, 0), strict=True))
    if start >= size:
        raise _headless(name, size)
    stream.seek(start)
    frame = stream.read(256)
    for tag in (b"Xing", b"Info"):
        at = frame.find(tag, 4, 48)
        if at < 0 or len(frame) < at + 16:
            continue
        present, frames, claimed = struct.unpack(">III", frame[at + 4 : at + 16])
        if present & 3 == 3 and claimed > size - start:
            # 1152 samples in a frame at 32 kHz and more, 576 below: left out, the share of bytes says enough.
            raise _refusal(
                name, f"is cut short: {size - start} of {claimed} bytes ({frames} MP3 frames); copy it again"
            )
    return _Extent(size, size)


def _foreign(name: str, head: bytes) -> RecordingError:
    if head[4:8] == b"ftyp" or head[:5] == b"#!AMR":
        kind = "a phone recording in MP4 form (m4a, 3gp)" if head[4:8] == b"ftyp" else "a phone recording in AMR form"
        return _refusal(
            name, f"is {kind}, which is not read; convert it to WAV or FLAC, or set the phone to record WAV"
        )
    if len(head) >= 2 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0:
        return _refusal(name, "is a bare AAC stream, which is not read; convert it to WAV or FLAC")
    if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"FORM") and len(head) < 12:
        return _refusal(name, f"is cut short inside its header ({len(head)} bytes); copy it again")
    text = not any(byte < 32 and byte not in b"\t\r\n" for byte in head)
    begins = f"it begins with the text '{shown(head.decode('utf-8', 'replace'))}'" if text else "its contents say so"
    return _refusal(name, f"is not a sound file ({begins}); can be read: {READABLE}")


def _headless(name: str, size: int) -> RecordingError:
    return _refusal(
        name, f"is cut short inside its header or holds no sound ({size} bytes); copy it again or record again"
    )


def _cut_short(name: str, found_s: float, claimed_s: float, detail: str = "") -> RecordingError:
    return _refusal(
        name,
        f"is cut short: it holds {found_s:.3f} s of the {claimed_s:.3f} s its header announces{detail}; "
        "copy it again from where it was recorded, or record again",
    )


def _reason(problem: Any) -> str:
    return getattr(problem, "strerror", None) or str(problem)


def _refusal(name: str, text: str) -> RecordingError:
    return RecordingError(f"{shown(name, _NAME_CHARACTERS)}: {text}")
