"""What passes between a source of sound, the listener that finds taps in it, and whoever keeps them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from taptest.signal.analysis import Analysis

Samples = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Block:
    """Consecutive samples (frames, channels), 1.0 full scale; ``lost_frames`` went missing right before them."""

    samples: Samples
    lost_frames: int = 0


class Source(Protocol):
    """Where sound comes from: a microphone, a file replayed, a pipe, a callback."""

    @property
    def name(self) -> str: ...

    @property
    def sample_rate_hz(self) -> int: ...

    @property
    def channels(self) -> int: ...

    def blocks(self) -> Iterator[Block]:
        """Blocks in order until the source ends or is closed.

        Raises: CaptureError when the source fails (unplugged, stalled, ...): says why and what to do.
        """
        ...

    def close(self) -> None:
        """Let go of the device or file; never hangs, may be called twice and from another thread."""
        ...


@dataclass(frozen=True)
class Level:
    """How loud it is: root mean square, held peak and noise floor [dB of full scale], at ``at_s`` since the start."""

    at_s: float
    rms_db: float
    peak_db: float
    floor_db: float
    lost_frames: int


@dataclass(frozen=True, eq=False)
class HeardTap:
    """One tap with its verdict, as soon as its ring has sunk into the noise.

    ``samples`` (frames,): what is to be kept of it, silence before the contact included; ``onset_s`` of the contact since the
    start of the source; ``onset`` its index in ``samples``; ``reasons`` empty for a good tap, otherwise words from
    ``taptest.signal.taps.REASONS``; ``analysis`` of these samples alone.
    """

    onset_s: float
    onset: int
    samples: Samples
    sample_rate_hz: int
    reasons: tuple[str, ...]
    analysis: Analysis

    @property
    def accepted(self) -> bool:
        return not self.reasons
