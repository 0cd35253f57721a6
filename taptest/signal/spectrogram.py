"""How the tones of one tap fade: level over time and frequency, by the short-time Fourier transform of librosa."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

# Tells tones 25 Hz apart (half the main lobe of the Hann window: 2 / T), as low modes lie, and leaves decays of 0.1 s to be seen.
_WINDOW_S = 0.08
_STEPS = 16  # to a window
DEPTH_DB = 50.0  # below that a room and its noise cover everything


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """``level_db`` (frequencies, times) against the loudest place, cut at `DEPTH_DB` below it; ``time_s`` from the start."""

    time_s: Real
    frequencies_hz: Real
    level_db: Real


def spectrogram(samples: Real, sample_rate_hz: float, *, low_hz: float, high_hz: float) -> Spectrogram:
    """Level of a sound over time, between two frequencies.

    Args:
        samples: (frames,), at least one.
        sample_rate_hz: theirs.
        low_hz: lowest frequency.
        high_hz: highest frequency.
    """
    _let_numba_cache()
    from librosa.core.spectrum import amplitude_to_db, stft

    # A power of two near the wanted length, at any sample rate.
    window = 1 << round(np.log2(_WINDOW_S * sample_rate_hz))
    step = max(window // _STEPS, 1)
    bins = 4 * window  # zeros behind the window draw its main lobe smoothly
    padded = np.pad(samples, (0, max(bins - len(samples), 0)))
    # Beyond its ends there is silence: a reflected contact would sound before it was struck.
    magnitude = np.abs(stft(padded, n_fft=bins, win_length=window, hop_length=step, window="hann", pad_mode="constant"))
    frequencies: Real = np.arange(bins // 2 + 1) * (sample_rate_hz / bins)
    wanted = (frequencies >= low_hz) & (frequencies <= high_hz)
    level: Real = amplitude_to_db(magnitude[wanted], ref=np.max, amin=1e-12, top_db=DEPTH_DB)
    return Spectrogram(np.arange(magnitude.shape[1]) * (step / sample_rate_hz), frequencies[wanted], level)


@cache
def _let_numba_cache() -> None:
    """librosa cannot be loaded where numba may keep what it compiles nowhere: neither beside it nor at home.

    It gets a folder of this process then, and of nobody else, since what lies there is run.
    """
    found = find_spec("librosa")
    places = [Path(found.origin).parent / "core"] if found is not None and found.origin is not None else []
    with suppress(RuntimeError):  # no home
        places.append(Path.home())
    if "NUMBA_CACHE_DIR" in os.environ or any(os.access(place, os.W_OK) for place in places):
        return
    folder = tempfile.mkdtemp(prefix="taptest-")
    os.environ["NUMBA_CACHE_DIR"] = folder
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
