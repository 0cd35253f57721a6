"""Three short, quiet sounds that can be told apart with the back to the screen: good, repeat, done."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Kind = Literal["good", "repeat", "done"]

SAMPLE_RATE_HZ = 48_000
_AMPLITUDE = 0.1  # 20 dB below full scale
_RAMP_S = 0.008  # so that a sound begins and ends without a click
_SETTLE_S = 0.25  # from asking for a sound until it has been played and has died away in the room, beyond its length
# Frequency [Hz] and duration [s] of each tone: one high; twice low; a rising third. 0 Hz is silence.
TONES: dict[Kind, tuple[tuple[float, float], ...]] = {
    "good": ((1760.0, 0.09),),
    "repeat": ((440.0, 0.12), (0.0, 0.06), (440.0, 0.12)),
    "done": ((1320.0, 0.09), (1661.2, 0.09), (1975.5, 0.16)),
}


def synthesised(kind: Kind) -> NDArray[np.float32]:
    """A sound (frames,) at ``SAMPLE_RATE_HZ``: sines with raised-cosine ends."""
    return np.concatenate([_tone(hz, seconds) for hz, seconds in TONES[kind]]).astype(np.float32)


def length_s(kind: Kind) -> float:
    """For how long the microphone should not listen once a sound has been asked for."""
    return sum(seconds for _, seconds in TONES[kind]) + _SETTLE_S


class Beeper:
    """Plays in a thread of its own; where nothing can be played it rings the bell instead, and never disturbs."""

    def __init__(
        self, bell: Callable[[], None], play: Callable[[NDArray[np.float32], int], None] | None = None
    ) -> None:
        """
        Args:
            bell: what to do where no sound can be played.
            play: plays samples at a rate and returns when it has; left out, through the default output.
        """
        self._bell, self._play = bell, play or _play
        self._wanted: queue.SimpleQueue[Kind | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="tones", daemon=True)
        self._thread.start()

    def beep(self, kind: Kind) -> float:
        """Ask for a sound; for how long [s] not to listen."""
        self._wanted.put(kind)
        return length_s(kind)

    def close(self) -> None:
        """Play what was asked for and end; waits two seconds at most."""
        self._wanted.put(None)
        self._thread.join(2.0)

    def _work(self) -> None:
        broken = False
        while (kind := self._wanted.get()) is not None:
            if not broken:
                try:
                    self._play(synthesised(kind), SAMPLE_RATE_HZ)
                    continue
                except Exception:  # no library, no device, a busy one: whatever it is, taps go on
                    broken = True
            self._bell()


def _tone(frequency_hz: float, seconds: float) -> NDArray[np.float64]:
    time_s = np.arange(round(seconds * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    ramp = np.clip(np.minimum(time_s, seconds - time_s) / _RAMP_S, 0.0, 1.0)
    return _AMPLITUDE * np.sin(2 * np.pi * frequency_hz * time_s) * (0.5 - 0.5 * np.cos(np.pi * ramp))


def _play(samples: NDArray[np.float32], sample_rate_hz: int) -> None:
    import sounddevice  # late: needs PortAudio, which is a system library

    stream: Any = sounddevice.OutputStream(samplerate=sample_rate_hz, channels=1, dtype="float32")
    with stream:
        stream.write(samples.reshape(-1, 1))
