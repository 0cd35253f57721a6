"""A microphone as a source of blocks that loses nothing silently and never hangs."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from itertools import takewhile
from typing import Any, ClassVar, TypeVar

import numpy as np

from taptest.capture.devices import InputDevice, ask, list_inputs, sound_library
from taptest.capture.stream import Block, Samples
from taptest.core.errors import CaptureError, shown
from taptest.core.sound_system import WITHIN_S

_BUFFER_S = 0.1  # asked of the system: enough for this program to be late, short enough for an answer at once
_WAITING_S = 20.0  # of sound at most, until whoever takes the blocks gets to it
_STALLED_S = 1.8
_LET_GO_S = 0.8  # together less than three seconds
_SILENT_S = 2.0
_MUTED_S = 20.0
# Samples counted against the clock.
_WINDOW_S = 0.25  # late sound that still comes, comes within this time
_LEAST_S = 0.03  # less than this is jitter
_REFERENCE_S = 2.0
_MOST_CHANNELS = 2
_AGAIN = "unplug the microphone and plug it in again, or restart the sound server, then try again"
_PERMISSION = (
    "the microphone is muted or this program may not use it; allow it: Windows: Settings, Privacy, Microphone; "
    "macOS: System Settings, Privacy & Security, Microphone (for the terminal); Linux: unmute the input in the sound settings"
)


T = TypeVar("T")


class Microphone:
    """An input of the sound system, opened at once.

    ``device`` a number or part of a name, or the system's own choice; ``sample_rate_hz`` is the device's own unless another is
    asked for and granted; ``notes`` say what is not as asked for.
    """

    _list_is_old: ClassVar[bool] = False  # a microphone failed: another may be plugged in since

    def __init__(
        self,
        device: str | int | None = None,
        *,
        sample_rate_hz: int | None = None,
        channels: int = 1,
        waiting_s: float = _WAITING_S,
    ) -> None:
        """
        Args:
            device: number or part of the name; the system's own choice if left out.
            sample_rate_hz: to ask for, instead of the device's own.
            channels: at most two are taken, and no more than there are.
            waiting_s: how much sound is kept for whoever is late in taking it; more is lost, and counted.

        Raises: CaptureError when there is no such device or it cannot be opened: with the reason and what to do.
        """
        self.device: InputDevice = next(d for d in list_inputs(device, afresh=Microphone._list_is_old) if d.chosen)
        Microphone._list_is_old = False
        self.name = self.device.name
        self.channels = min(channels, self.device.channels, _MOST_CHANNELS)
        self.notes: tuple[str, ...] = ()
        self._library = sound_library()
        self._new = threading.Condition()
        self._waiting: deque[tuple[Samples, int]] = deque()
        self._waiting_frames = 0
        self._lost = 0
        self._ended = False  # by the sound system
        self._closed = False
        self._last_s = time.monotonic()
        self._stream: Any = None
        self.sample_rate_hz, self._stream = self._opened(sample_rate_hz)
        self._losses = LostFrames(self.sample_rate_hz)
        self._most_frames = round(waiting_s * self.sample_rate_hz)
        self._start()

    def _opened(self, wanted_hz: int | None) -> tuple[int, Any]:
        own_hz = self.device.sample_rate_hz
        rates = [rate for rate in dict.fromkeys((wanted_hz, own_hz, 48_000, 44_100)) if rate]
        refusals = []
        for rate in rates:
            try:
                stream = self._ask(partial(self._open, rate))
            except self._library.PortAudioError as problem:
                refusals.append(f"{rate} Hz: {_reason(problem)}")
                continue
            if wanted_hz is not None and rate != wanted_hz:
                self.notes += (f"{shown(self.name)} refuses {wanted_hz} Hz; it is used at {rate} Hz",)
            return rate, stream
        raise CaptureError(
            f"'{shown(self.name)}' cannot be opened ({'; '.join(refusals)}); close other programs that use the microphone, "
            "or choose another input, see taptest devices"
        )

    def _ask(self, call: Callable[[], T], seconds: float = WITHIN_S) -> T:
        return ask(call, f"'{shown(self.name)}'", _AGAIN, seconds)

    def _open(self, rate_hz: int) -> Any:
        return self._library.InputStream(
            device=self.device.number,
            samplerate=rate_hz,
            channels=self.channels,
            dtype="float32",
            latency=_BUFFER_S,
            callback=self._take,
            finished_callback=self._end,
        )

    def _start(self) -> None:
        try:
            self._ask(self._stream.start)
        except self._library.PortAudioError as problem:
            self.close()
            raise CaptureError(f"'{shown(self.name)}' does not start ({_reason(problem)}); {_AGAIN}") from None
        self._last_s = time.monotonic()

    def _take(self, samples: Samples, frames: int, _time: object, status: Any) -> None:
        """Called by the sound system in a thread of its own: copy, count, and nothing else."""
        now_s = time.monotonic()
        copy = samples.copy()
        with self._new:
            self._last_s = now_s
            lost = self._losses.received(frames, now_s)
            if status.input_overflow:
                lost = max(lost, 1)
            if self._waiting_frames + frames > self._most_frames:
                self._lost += frames + lost
            else:
                self._waiting.append((copy, self._lost + lost))
                self._waiting_frames += frames
                self._lost = 0
            self._new.notify()

    def _end(self) -> None:
        with self._new:
            self._ended = True
            self._new.notify()

    def blocks(self) -> Iterator[Block]:
        """Blocks as they come; leading zeros, which some systems give while a device wakes up, are left out.

        Raises: CaptureError when the device is unplugged, stalls, or gives exact zeros and nothing else.
        """
        silent_frames, sounding = 0, False
        while True:
            block = self._next()
            if block is None:
                return
            if block.samples.any():
                if not sounding:
                    first = int(np.argmax(block.samples.any(axis=1)))
                    block = Block(block.samples[first:], block.lost_frames)
                silent_frames, sounding = 0, True
            else:
                silent_frames += len(block.samples)
                if silent_frames > (_MUTED_S if sounding else _SILENT_S) * self.sample_rate_hz:
                    raise CaptureError(f"'{shown(self.name)}' gives nothing but exact zeros; {_PERMISSION}")
            if sounding:
                yield block

    def _next(self) -> Block | None:
        while True:
            with self._new:
                if not self._waiting and not self._closed and not self._ended:
                    self._new.wait(0.1)
                if self._closed:
                    return None
                if self._waiting:
                    samples, lost = self._waiting.popleft()
                    self._waiting_frames -= len(samples)
                    return Block(samples, lost)
                quiet_s = time.monotonic() - self._last_s
                ended = self._ended
            if ended or quiet_s > _STALLED_S:
                Microphone._list_is_old = True
            if ended:
                raise CaptureError(
                    f"'{shown(self.name)}' has gone (unplugged, or the sound server stopped); plug it in and try again"
                )
            if quiet_s > _STALLED_S:
                raise CaptureError(
                    f"'{shown(self.name)}' has given no sound for {quiet_s:.0f} s: unplugged, or the sound system hangs; "
                    f"{_AGAIN}"
                )

    def close(self) -> None:
        """Let go of the device; what hangs is left behind in a thread of its own."""
        with self._new:
            first, self._closed = not self._closed, True
            self._new.notify()
        if not first or self._stream is None:
            return

        def let_go() -> None:
            self._stream.abort(ignore_errors=True)
            self._stream.close(ignore_errors=True)

        with suppress(CaptureError, self._library.PortAudioError):
            self._ask(let_go, _LET_GO_S)


def _reason(problem: Exception) -> str:
    """PortAudio's own words, without the name of its function and its number."""
    text = str(problem.args[0] if problem.args else problem)
    return shown(text.rsplit(": ", 1)[-1], 100)


class LostFrames:
    """How many samples are behind the clock, and for good.

    A block that comes late is followed by others that catch up; samples that were lost leave the count behind for good. So
    what lags for a quarter of a second behind the least lag before it has been lost. Clocks that drift apart by a few parts in
    a thousand do not matter: the comparison reaches back two seconds.
    """

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self._begun_s: float | None = None
        self._received = 0
        self._lags: deque[tuple[float, float]] = deque()  # at [s], lag [s]

    def received(self, frames: int, now_s: float) -> int:
        """Count a block that has just come; how many frames are found to be lost by now."""
        self._received += frames
        if self._begun_s is None:
            self._begun_s = now_s - frames / self._rate
        lag_s = now_s - self._begun_s - self._received / self._rate
        self._lags.append((now_s, lag_s))
        while self._lags[0][0] < now_s - _REFERENCE_S:
            self._lags.popleft()
        if lag_s < min(lag for _, lag in self._lags) + _LEAST_S:
            return 0
        usual_s = min((lag for at, lag in self._lags if at < now_s - _WINDOW_S), default=None)
        if usual_s is None:
            return 0
        late = list(takewhile(lambda each: each[1] >= usual_s + _LEAST_S, reversed(self._lags)))
        if not late or now_s - late[-1][0] < _WINDOW_S:
            return 0
        lost = round((min(lag for _, lag in late) - usual_s) * self._rate)
        self._lags.clear()  # from now on it lags by what was lost
        return lost
