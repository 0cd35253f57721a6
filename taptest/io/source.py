"""What the readers of all formats share: what they are given, what they return, and how a file is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import RecordingError, shown

if TYPE_CHECKING:
    from taptest.io.series import Reading

NAME_CHARACTERS = 200
_SAMPLE_BYTES = 8


@dataclass(frozen=True)
class Source:
    """A regular file, open for reading: its name for messages, its size, how it begins, and what it need not say itself."""

    name: str
    stream: BinaryIO
    size: int
    head: bytes
    reading: Reading

    def data(self) -> bytes:
        """All of it. The gate has compared the size with the largest that the format allows."""
        self.stream.seek(0)
        return self.stream.read(self.size)


@dataclass(frozen=True, eq=False)
class Sound:
    """Decoded sound: ``values`` (frames, channels), 1.0 being full scale; ``floating`` where samples may lie above it."""

    values: NDArray[np.float64]
    sample_rate_hz: int
    floating: bool
    flags: tuple[str, ...] = ()


def refusal(name: str, text: str) -> RecordingError:
    """The error that a file of this name is refused with: one printable line."""
    return RecordingError(f"{shown(name, NAME_CHARACTERS)}: {text}")


def check_size(name: str, frames: int, channels: int, sample_rate_hz: int, *, least_hz: float | None = None) -> None:
    """Everything that a header alone decides: before a single sample is decoded or allocated.

    Raises:
        RecordingError: too many channels or none, a sample rate below ``least_hz`` (that of sound unless given) or beyond
            any, no frames, too short or too long.
    """
    limits = LIMITS.format
    least_hz = limits.least_sample_rate_hz if least_hz is None else least_hz
    if not 1 <= channels <= limits.most_channels:
        raise refusal(
            name,
            f"has {channels} channels; 1 to {limits.most_channels} are read, as (frames, channels): damaged header?",
        )
    if sample_rate_hz < least_hz:
        raise refusal(
            name, f"is sampled at {sample_rate_hz} Hz; at least {least_hz:g} Hz is needed; record at 44100 or 48000 Hz"
        )
    if sample_rate_hz > limits.most_sample_rate_hz:
        raise refusal(
            name, f"is sampled at {sample_rate_hz} Hz; at most {limits.most_sample_rate_hz} Hz is read: damaged header?"
        )
    if frames <= 0:
        raise refusal(name, "holds no sound (0 frames); record again")
    duration_s = frames / sample_rate_hz
    decoded_bytes = frames * channels * _SAMPLE_BYTES
    if duration_s > limits.longest_s or decoded_bytes > limits.most_decoded_bytes:
        raise refusal(
            name,
            f"claims {frames} frames of {channels} channels at {sample_rate_hz} Hz ({duration_s / 60:.1f} min, "
            f"{decoded_bytes / 1e6:.0f} MB decoded); at most {limits.longest_s / 60:.0f} min and "
            f"{limits.most_decoded_bytes / 1e6:.0f} MB are read; cut out the part with the taps",
        )
    if duration_s < limits.shortest_s:
        raise refusal(
            name,
            f"lasts {duration_s:.4f} s ({frames} frames), shorter than a tap; at least {limits.shortest_s} s is needed; "
            "let the ski ring for a second or two before stopping",
        )
