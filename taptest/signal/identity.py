"""What makes two sound files the same sound: their samples, whatever file they came in."""

from __future__ import annotations

import hashlib

import numpy as np

from taptest.io.recording import Recording

_FRAMES_AT_ONCE = 1 << 18


def sound_sha256(recording: Recording) -> str:
    """SHA-256 of the decoded sound, 64 hexadecimal digits: sample rate, channels, frames and every sample.

    Samples are taken as little-endian 64-bit floats, 1.0 being full scale, channels interleaved, with -0 as 0. So a WAV
    and the FLAC made of it are one sound, and a name, a date or a tag changes nothing.
    """
    samples = recording.samples
    seen = hashlib.sha256(f"sound/1 {recording.sample_rate_hz} {samples.shape[1]} {len(samples)}\n".encode("ascii"))
    for start in range(0, len(samples), _FRAMES_AT_ONCE):
        seen.update(np.ascontiguousarray(samples[start : start + _FRAMES_AT_ONCE] + 0.0, dtype="<f8").data)
    return seen.hexdigest()
