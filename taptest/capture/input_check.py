"""Listen to an input for a few seconds and say what is wrong with it before a ski is hung."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.capture.stream import Source
from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError, shown
from taptest.signal.analysis import noise_between
from taptest.signal.silence import silences
from taptest.signal.spectrum import Hum
from taptest.signal.taps import Envelope, judge_taps

FINDINGS = ("processed", "clipped", "loud-noise", "hum", "lost-samples", "low-sample-rate")

Processing = Literal["suspected", "none heard", "not tested"]

_SETTLE_S = 0.3  # while a device wakes up


@dataclass(frozen=True)
class InputCheck:
    """What was heard in a few seconds: levels in dB of full scale.

    ``noise_db`` root mean square between the limits of the settings, where nothing else sounded; ``peak_db`` the loudest
    sample, so ``headroom_db`` is left; ``clipped`` samples at full scale; ``zero_share`` of the time in runs of exact zeros, as a
    noise gate leaves them; ``sounds`` sharp ones, such as taps and claps, by which ``processing`` (gain control, noise
    suppression) is told; ``findings`` words from ``FINDINGS``.
    """

    device: str
    sample_rate_hz: int
    channels: int
    duration_s: float
    noise_db: float
    hum: Hum | None
    peak_db: float
    clipped: int
    zero_share: float
    lost_frames: int
    sounds: int
    processing: Processing
    findings: tuple[str, ...]

    @property
    def headroom_db(self) -> float:
        return -self.peak_db


def check_input(source: Source, seconds: float = 6.0, settings: Settings | None = None) -> InputCheck:
    """Listen to a source for so long, or until it ends; its first channel.

    Raises: CaptureError when the source fails, or ends before two seconds.
    """
    settings = settings or Settings()
    rate = source.sample_rate_hz
    blocks, frames, lost = [], 0, 0
    wanted = round((seconds + _SETTLE_S) * rate)
    try:
        for block in source.blocks():
            blocks.append(block.samples[:, 0])
            frames += len(block.samples)
            lost += block.lost_frames
            if frames >= wanted:
                break
    finally:
        source.close()
    samples = np.concatenate(blocks)[round(_SETTLE_S * rate) :].astype(np.float64) if blocks else np.zeros(0)
    least_s = LIMITS.input.shortest_check_s
    if len(samples) < least_s * rate:
        raise CaptureError(
            f"'{shown(source.name)}' gave {frames / rate:.1f} s of sound; at least {least_s + _SETTLE_S:.1f} s are needed"
        )
    return _checked(source, samples, lost, settings)


def _checked(source: Source, samples: NDArray[np.float64], lost: int, settings: Settings) -> InputCheck:
    rate = float(source.sample_rate_hz)
    envelope = Envelope(samples, rate)
    sounds = judge_taps(samples, rate, envelope, full_scale=1.0)
    noise = noise_between(silences(samples, rate, sounds) or [samples] * (not sounds), samples, rate)
    noise_db = _decibels(noise.rms(settings.low_hz, min(settings.high_hz, 0.45 * rate)) ** 2)
    zero_share = _zero_share(samples, rate)
    processed = zero_share > 0 or any("gain-control" in sound.reasons for sound in sounds)
    clipped = int(np.count_nonzero(np.abs(samples) >= LIMITS.tap.clipped_level))
    hum = noise.hum
    found = {
        "processed": processed,
        "clipped": clipped > 1,
        "loud-noise": noise_db > LIMITS.input.loud_noise_db,
        "hum": hum is not None and max(hum.levels_db) > LIMITS.input.hum_db,
        "lost-samples": lost > 0,
        "low-sample-rate": rate < LIMITS.format.low_sample_rate_hz,
    }
    return InputCheck(
        device=source.name,
        sample_rate_hz=source.sample_rate_hz,
        channels=source.channels,
        duration_s=len(samples) / rate,
        noise_db=noise_db,
        hum=hum,
        peak_db=_decibels(float(np.abs(samples).max()) ** 2),
        clipped=clipped,
        zero_share=zero_share,
        lost_frames=lost,
        sounds=len(sounds),
        processing="suspected" if processed else "none heard" if sounds else "not tested",
        findings=tuple(word for word in FINDINGS if found[word]),
    )


def _zero_share(samples: NDArray[np.float64], rate: float) -> float:
    """Share of the time in which the sound stands at exactly zero for longer than any sound crosses it."""
    sounding = np.flatnonzero(np.concatenate(([1.0], samples, [1.0])))
    runs = np.diff(sounding) - 1
    return float(runs[runs >= LIMITS.input.zero_run_s * rate].sum() / len(samples))


def _decibels(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
