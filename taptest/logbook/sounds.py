"""Sounds kept by what they hold: ``sounds/ab/abcdef….flac`` for the sound whose SHA-256 begins with ab, written once.

Nothing of the sound is lost: whole-number samples of up to 24 bits go into FLAC of their own depth, everything else (floating
point, as lossy formats decode to) into a WAV of 32- or 64-bit floats.
"""

from __future__ import annotations

import io
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from taptest.core.durable import sync_folder, write_durably
from taptest.core.errors import LogbookError, shown
from taptest.io.recording import Recording
from taptest.signal.identity import sound_sha256

# What FLAC (RFC 9639, section 9.1) and the library that writes it take.
_FLAC_BITS = (16, 24)
_FLAC_CHANNELS = 8
_FLAC_RATE_HZ = 655_350


@dataclass(frozen=True)
class StoredSound:
    """A recording in the store, without its samples.

    ``file`` relative to the store's folder; ``bits`` of whole-number samples, None for floating point; ``path`` and ``flags``
    of the recording that it was made from.
    """

    sha256: str
    file: str
    bits: int | None
    path: str
    sample_rate_hz: int
    channels: int
    frames: int
    flags: tuple[str, ...]


def store_sound(folder: Path, recording: Recording) -> StoredSound:
    """Put a sound into the store, unless it is there; on return it is on the disk.

    Raises:
        LogbookError: it cannot be written.
    """
    sha256 = sound_sha256(recording)
    bits = _whole_bits(recording.samples)
    plain = recording.channels <= _FLAC_CHANNELS and recording.sample_rate_hz <= _FLAC_RATE_HZ
    suffix = "flac" if bits is not None and plain else "wav"
    stored = StoredSound(
        sha256,
        f"{sha256[:2]}/{sha256}.{suffix}",
        bits,
        recording.path,
        recording.sample_rate_hz,
        recording.channels,
        len(recording.samples),
        recording.flags,
    )
    if not (folder / stored.file).exists():
        keep_file(folder / stored.file, _encoded(recording, bits if suffix == "flac" else None))
    return stored


def try_to_store(folder: Path, recording: Recording) -> StoredSound | None:
    """The same where a recording is read to be analysed; None where it cannot be written, which is told when it is entered."""
    with suppress(LogbookError):
        return store_sound(folder, recording)
    return None


def keep_file(path: Path, data: bytes) -> None:
    """Put a file into the store; on return it is on the disk.

    Raises:
        LogbookError: it cannot be written.
    """
    try:
        make_folder(path.parent)
        write_durably(path, data)
    except OSError as problem:
        raise LogbookError(
            f"{shown(path.parent, 200)}: a sound cannot be kept there ({problem.strerror or problem}), so nothing was "
            "entered; make room on the disk or allow writing, and start again"
        ) from problem


def inside(name: str) -> bool:
    """Whether a name of a file, which a row gives, stays in the folder of sounds."""
    path = Path(name)
    return not path.is_absolute() and ".." not in path.parts


def make_folder(place: Path) -> None:
    """Make a folder in the store that is on the disk afterwards."""
    if place.is_dir():
        return
    place.mkdir(parents=True, exist_ok=True)
    for each in (place.parent, place.parent.parent):
        sync_folder(each)


def _whole_bits(samples: np.ndarray) -> int | None:
    """The least depth of FLAC that holds every sample exactly; None where none does."""
    for bits in _FLAC_BITS:
        scale = 2.0 ** (bits - 1)
        scaled = samples * scale
        if bool((scaled == np.rint(scaled)).all()) and -scale <= scaled.min() and scaled.max() <= scale - 1:
            return bits
    return None


def _encoded(recording: Recording, bits: int | None) -> bytes:
    import soundfile  # late: loads a shared library

    target = io.BytesIO()
    samples = recording.samples
    if bits is not None:
        words = (samples * 2.0**31).astype(np.int32)
        soundfile.write(target, words, recording.sample_rate_hz, format="FLAC", subtype=f"PCM_{bits}")
    else:
        single = bool((samples.astype(np.float32) == samples).all())
        soundfile.write(
            target, samples, recording.sample_rate_hz, format="WAV", subtype="FLOAT" if single else "DOUBLE"
        )
    return target.getvalue()
