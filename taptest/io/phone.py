"""Recordings as phones make them (m4a, 3gp, AMR, AAC), decoded by PyAV, which the extra ``phone`` brings."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.io.source import Sound, Source, check_size, refusal

_SHORT = 0.97  # of the announced length; encoders pad a few hundred samples at either end


def begins(head: bytes, _: str) -> bool:
    """Whether a file begins as MP4 (m4a, 3gp), AMR or a bare AAC stream does."""
    return (
        head[4:8] == b"ftyp" or head[:5] == b"#!AMR" or (len(head) >= 2 and head[0] == 0xFF and head[1] & 0xF6 == 0xF0)
    )


def read(source: Source) -> Sound:
    """The sound of a phone recording.

    Raises:
        RecordingError: the extra is missing, it holds no sound, is damaged or cut short, or decodes to more than is
            read of any recording.
    """
    name, max_seconds = source.name, LIMITS.format.longest_s
    try:
        import av
    except ImportError:
        raise refusal(
            name,
            "is a phone recording, for which the extra 'phone' is needed: pip install 'taptest[phone]'; or set the phone "
            "to record WAV, or convert it to WAV or FLAC",
        ) from None
    av.logging.set_level(av.logging.PANIC)
    try:
        with av.open(io.BytesIO(source.data()), mode="r", metadata_errors="replace") as container:
            if not container.streams.audio:
                raise refusal(name, "holds no sound (a picture or a film without sound?); name the sound file")
            stream = container.streams.audio[0]
            announced_s = _announced_s(stream)
            if announced_s > max_seconds:
                raise refusal(
                    name,
                    f"claims to last {announced_s / 60:.1f} min; at most {max_seconds / 60:.0f} min are read; cut it",
                )
            blocks, rate = _decoded(name, container, stream)
    except (av.error.FFmpegError, ValueError, EOFError, OSError) as problem:
        text = shown(getattr(problem, "strerror", None) or problem, 100)
        raise refusal(
            name, f"is a damaged phone recording, or one cut short ({text}); copy it again from the phone"
        ) from problem
    if not blocks:
        raise refusal(name, "holds no sound (0 frames); record again")
    samples = np.concatenate(blocks, axis=1).T.astype(np.float64)
    found_s = len(samples) / rate
    if found_s < _SHORT * announced_s - 0.2:
        raise refusal(
            name, f"is cut short: it holds {found_s:.3f} s of the {announced_s:.3f} s it announces; copy it again"
        )
    check_size(name, samples.shape[0], samples.shape[1], rate)
    return Sound(samples, rate, floating=True, flags=("lossy",))


def _announced_s(stream: Any) -> float:
    if stream.duration is None or stream.time_base is None:
        return 0.0
    return float(stream.duration * stream.time_base)


def _decoded(name: str, container: Any, stream: Any) -> tuple[list[NDArray[np.float32]], int]:
    """Blocks (channels, frames), counted while they come: a few bytes can decode to hours."""
    from av.audio.resampler import AudioResampler

    max_bytes, max_seconds = LIMITS.format.most_decoded_bytes, LIMITS.format.longest_s
    blocks: list[NDArray[np.float32]] = []
    rate, channels, frames = 0, 0, 0
    resampler = None
    for frame in container.decode(stream):
        if resampler is None:
            rate, channels = int(frame.sample_rate), int(frame.layout.nb_channels)
            resampler = AudioResampler(format="fltp", layout=frame.layout, rate=rate)
        if int(frame.sample_rate) != rate or int(frame.layout.nb_channels) != channels:
            raise refusal(name, "changes its sample rate or channels on the way; convert it to WAV")
        for part in resampler.resample(frame):
            block = np.asarray(part.to_ndarray(), dtype=np.float32)
            blocks.append(block)
            frames += block.shape[1]
        if frames * channels * 8 > max_bytes or frames > max_seconds * rate:
            raise refusal(
                name,
                f"decodes to more than {max_seconds / 60:.0f} min or {max_bytes / 1e6:.0f} MB; cut out the part with the taps",
            )
    return blocks, rate
