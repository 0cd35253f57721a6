"""Sound files that libsndfile decodes, and how long each says that it is against how long it is.

The library reads a cut-off WAV short and a WAV that was never closed as empty, both without an error, so the header's own
account of the sound is compared with the size of the file before anything is decoded.
"""

import os
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from taptest.core.errors import RecordingError, shown
from taptest.io.source import Sound, Source, check_size, refusal

_MAX_CHUNKS = 10_000
# What recorders write into a header before they know the length.
_OPEN_LENGTHS = (0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000)
_OGG_PAGE_BYTES = 65_307
_FLOAT_SUBTYPES = ("FLOAT", "DOUBLE")
_LOSSY_SUBTYPES = ("VORBIS", "OPUS", "MPEG", "ADPCM", "GSM", "G721", "G723", "NMS")
_UNCLOSED = (
    "the recorder probably did not close the file; stop the recording before unplugging or switching off, "
    "or open the file in a sound editor that can repair the header and save it again as WAV"
)


@dataclass(frozen=True)
class Extent:
    """What a header says about its sound, against what the file holds."""

    claimed_bytes: int
    found_bytes: int
    bytes_per_second: float = 0.0
    bytes_after: bool = False


@dataclass(frozen=True)
class Container:
    """How files of one kind begin, and how their headers are read."""

    begins: Callable[[bytes, str], bool]
    extent: Callable[[Source], Extent]


def read_container(extent_of: Callable[[Source], Extent], source: Source) -> Sound:
    """The sound of a file whose header and size agree.

    Raises:
        RecordingError: it is cut short, was never closed, is damaged, or too long for what may be decoded.
    """
    extent = extent_of(source)
    _refuse_cut(source.name, extent)
    return _decoded(source.name, extent)


def _refuse_cut(name: str, extent: Extent) -> None:
    if extent.claimed_bytes == 0 and extent.found_bytes > 0:
        raise refusal(name, f"its header says 0 frames although {extent.found_bytes} bytes of data follow: {_UNCLOSED}")
    if extent.claimed_bytes in _OPEN_LENGTHS and extent.found_bytes < extent.claimed_bytes:
        raise refusal(
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
        raise refusal(
            name, f"is cut short: {extent.found_bytes} of {extent.claimed_bytes} bytes of sound; copy it again"
        )


def _decoded(name: str, extent: Extent) -> Sound:
    import soundfile  # late: loads a shared library

    try:
        # An absolute path: the library takes "-" for standard input.
        with soundfile.SoundFile(os.path.abspath(name)) as sound:  # noqa: PTH100 (resolve() would follow links)
            frames, channels, rate = int(sound.frames), int(sound.channels), int(sound.samplerate)
            subtype, container = str(sound.subtype), str(sound.format)
            check_size(name, frames, channels, rate)
            values: NDArray[np.float64] = sound.read(dtype="float64", always_2d=True)
    except TypeError:
        raise refusal(name, "is named like sound without a header; rename it to what it is, such as .wav") from None
    except (soundfile.SoundFileError, RuntimeError) as problem:
        text = shown(str(problem).rsplit(": ", 1)[-1].strip().rstrip("."), 120)
        raise refusal(name, f"is damaged or cut short ({text}); copy it again from where it was recorded") from problem
    if values.shape[0] < frames:
        raise _cut_short(name, values.shape[0] / rate, frames / rate)
    lossy = container == "MP3" or subtype.startswith(_LOSSY_SUBTYPES) or "ADPCM" in subtype
    flags = [*(["lossy"] if lossy else []), *(["bytes-after-sound"] if extent.bytes_after else [])]
    return Sound(values, rate, subtype in _FLOAT_SUBTYPES, tuple(flags))


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


def _wave_extent(source: Source) -> Extent:
    """RIFF/WAVE (IBM and Microsoft, Multimedia Programming Interface, 1991); RF64 after EBU Tech 3306."""
    stream, size, magic = source.stream, source.size, source.head[:4]
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
            return Extent(claimed, size - position, bytes_per_second, after)
    raise _headless(source)


def _goes_on(stream: BinaryIO, size: int, position: int) -> bool:
    """Whether something follows the sound that is not another chunk."""
    stream.seek(min(position, size))
    head = stream.read(8)
    if not head.strip(b"\0"):
        return False
    return not (len(head) == 8 and all(32 <= byte < 127 for byte in head[:4]))


def _aiff_extent(source: Source) -> Extent:
    """AIFF and AIFF-C (Apple, Audio Interchange File Format 1.3, 1989): COMM describes, SSND holds the sound."""
    stream, size = source.stream, source.size
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
        raise _headless(source)
    claimed, found = sound
    if frames == 0 and found > frame_bytes:
        claimed = 0
    return Extent(claimed, found)


def _caf_extent(source: Source) -> Extent:
    """CAF (Apple, Core Audio Format 1.0): 64-bit chunks; -1 leaves the length of the last one open."""
    stream, size = source.stream, source.size
    for identifier, length, position in _chunks(stream, size, 8, ">4sq", pad=False):
        if identifier == b"data":
            found = max(size - position - 4, 0)  # an edit count stands before the samples
            return Extent(found if length < 0 else max(length - 4, 0), found)
    raise _headless(source)


def _flac_extent(source: Source) -> Extent:
    """FLAC (RFC 9639, section 8.2): STREAMINFO holds a 36-bit number of frames, 0 where the encoder never knew it."""
    body = source.head[:42]
    if len(body) < 42:
        raise _headless(source)
    if int.from_bytes(body[21:26], "big") & 0xFFFFFFFFF == 0:
        raise refusal(source.name, f"its header does not say how long it is: {_UNCLOSED}")
    return Extent(source.size, source.size)


def _ogg_extent(source: Source) -> Extent:
    """Ogg (RFC 3533, section 6): pages of up to 65307 bytes; the last one is marked as such and fills the file."""
    stream, size, name = source.stream, source.size, source.name
    start = max(0, size - 2 * _OGG_PAGE_BYTES)
    stream.seek(start)
    tail = stream.read()
    at = tail.rfind(b"OggS")
    page = tail[at:] if at >= 0 else b""
    complete = False
    if len(page) >= 27 and len(page) >= 27 + page[26]:
        complete = len(page) >= 27 + page[26] + sum(page[27 : 27 + page[26]])
    if not (complete and page[5] & 4):
        raise refusal(name, "is cut short: the last page of its sound is missing; copy it again or record again")
    return Extent(size, size)


def _is_mpeg_audio(head: bytes) -> bool:
    """An MPEG audio frame header (ISO/IEC 11172-3, 2.4.1.3); layer bits 00 would be an AAC stream."""
    return len(head) >= 3 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 0x06 != 0


def _mp3_extent(source: Source) -> Extent:
    """MP3: most encoders write the number of bytes into a "Xing" or "Info" entry of the first frame."""
    stream, size, head, name = source.stream, source.size, source.head, source.name
    start = 0
    if head[:3] == b"ID3" and len(head) >= 10:
        start = 10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:10], (21, 14, 7, 0), strict=True))
    if start >= size:
        raise _headless(source)
    stream.seek(start)
    frame = stream.read(256)
    for tag in (b"Xing", b"Info"):
        at = frame.find(tag, 4, 48)
        if at < 0 or len(frame) < at + 16:
            continue
        present, frames, claimed = struct.unpack(">III", frame[at + 4 : at + 16])
        if present & 3 == 3 and claimed > size - start:
            # 1152 samples in a frame at 32 kHz and more, 576 below: left out, the share of bytes says enough.
            raise refusal(name, f"is cut short: {size - start} of {claimed} bytes ({frames} MP3 frames); copy it again")
    return Extent(size, size)


def _headless(source: Source) -> RecordingError:
    return refusal(
        source.name,
        f"is cut short inside its header or holds no sound ({source.size} bytes); copy it again or record again",
    )


def _cut_short(name: str, found_s: float, claimed_s: float, detail: str = "") -> RecordingError:
    return refusal(
        name,
        f"is cut short: it holds {found_s:.3f} s of the {claimed_s:.3f} s its header announces{detail}; "
        "copy it again from where it was recorded, or record again",
    )


def _form(*magics: bytes, form: tuple[bytes, ...]) -> Callable[[bytes, str], bool]:
    return lambda head, _: head[:4] in magics and head[8:12] in form


WAVE = Container(_form(b"RIFF", b"RIFX", form=(b"WAVE",)), _wave_extent)
RF64 = Container(_form(b"RF64", form=(b"WAVE",)), _wave_extent)
AIFF = Container(_form(b"FORM", form=(b"AIFF", b"AIFC")), _aiff_extent)
CAF = Container(lambda head, _: head[:4] == b"caff", _caf_extent)
FLAC = Container(lambda head, _: head[:4] == b"fLaC", _flac_extent)
OGG = Container(lambda head, _: head[:4] == b"OggS", _ogg_extent)
MP3 = Container(lambda head, _: head[:3] == b"ID3" or _is_mpeg_audio(head), _mp3_extent)
