"""From a playlist to the loudspeaker; the only place that knows of sound cards on the way out."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from taptest.core.errors import PlaybackError, shown
from taptest.core.sound_system import libraries_silenced, portaudio, within
from taptest.playback.playlist import RATE_HZ, Clip, Playlist

SAVE_INSTEAD = "or write the sound to a file with --save NAME.wav"

_T = TypeVar("_T")

_STALLED_S = 5.0
_ANSWERS_WITHIN_S = 5.0
_LOOK_S = 0.02
_LATENCY_S = 0.2  # nothing answers to the sound, so a long buffer is no harm and a busy computer does not break it up


@dataclass(frozen=True)
class Output:
    """A loudspeaker that can be played to: index and name of the device, its channels and sample rate."""

    index: int
    name: str
    channels: int
    sample_rate_hz: int


def find_output(device: str | None = None) -> Output:
    """The loudspeaker or headphones of a name or number, or the system's own choice.

    Raises:
        PlaybackError: the PortAudio library is missing, there is no such device, or it takes no usual sample rate.
    """
    with libraries_silenced():
        return _answered(lambda: _found(device))


def play(playlist: Playlist, output: Output, starting: Callable[[Clip], None] | None = None) -> int:
    """Play everything and wait until it is over; returns how often the sound broke up because the computer was busy.

    Args:
        playlist: at the sample rate of ``output``.
        output: from `find_output`.
        starting: called, in this thread, when a sound begins.

    Raises:
        PlaybackError: the device cannot be opened, was taken away, or stopped taking sound.
    """
    feed = _Feed(playlist, output.channels)
    with libraries_silenced():
        stream = _answered(lambda: _opened(feed, output))
        try:
            _wait(feed, output, starting)
        finally:
            _close(stream)
    return feed.broken


def _found(device: str | None) -> Output:
    sounddevice = _library()
    wanted: str | int | None = int(device) if device is not None and device.isascii() and device.isdigit() else device
    try:
        found = dict(sounddevice.query_devices(wanted, "output"))
    except (ValueError, sounddevice.PortAudioError):
        raise _no_device(sounddevice, device) from None
    channels = min(int(found["max_output_channels"]), 2)
    own_hz = round(float(found["default_samplerate"]))
    for rate in dict.fromkeys((RATE_HZ, own_hz, 44_100)):
        with suppress(ValueError, sounddevice.PortAudioError):
            sounddevice.check_output_settings(device=found["index"], channels=channels, samplerate=rate)
            return Output(int(found["index"]), str(found["name"]), channels, rate)
    raise PlaybackError(
        f"{shown(found['name'])}: takes no sound at {RATE_HZ} or {own_hz} Hz; another program may hold it: close that, "
        f"choose another with --device, {SAVE_INSTEAD}"
    )


def _opened(feed: _Feed, output: Output) -> Any:
    sounddevice = _library()
    try:
        stream = sounddevice.OutputStream(
            samplerate=output.sample_rate_hz,
            device=output.index,
            channels=output.channels,
            dtype="float32",
            latency=_LATENCY_S,
            callback=lambda out, frames, when, status: feed.fill(out, status, sounddevice.CallbackStop),
            finished_callback=feed.over.set,
        )
        stream.start()
    except sounddevice.PortAudioError as problem:
        raise PlaybackError(
            f"{shown(output.name)}: cannot be opened ({shown(problem, 120)}); another program may hold it: close that, "
            f"choose another with --device, {SAVE_INSTEAD}"
        ) from None
    return stream


class _Feed:
    """What the callback of the sound system takes its samples from; nothing else happens in that thread."""

    def __init__(self, playlist: Playlist, channels: int) -> None:
        blocks = list(playlist.blocks())
        self.sound: NDArray[np.float32] = np.concatenate([block for _, block in blocks]).astype(np.float32)
        starts = np.cumsum([0, *(len(block) for _, block in blocks)])
        self.clips = [(int(start), clip) for start, (clip, _) in zip(starts, blocks, strict=False) if clip is not None]
        self.channels = channels
        self.given = 0
        self.broken = 0
        self.over = threading.Event()

    def fill(self, out: NDArray[np.float32], status: Any, stop: type[Exception]) -> None:
        part = self.sound[self.given : self.given + len(out)]
        out[: len(part)] = part[:, None]
        out[len(part) :] = 0.0
        self.given += len(part)
        self.broken += bool(status.output_underflow)
        if len(part) < len(out):
            raise stop


def _wait(feed: _Feed, output: Output, starting: Callable[[Clip], None] | None) -> None:
    coming = list(feed.clips)
    given, since = -1, time.monotonic()
    while True:
        over = feed.over.wait(_LOOK_S)
        while coming and feed.given > coming[0][0]:
            _, clip = coming.pop(0)
            if starting is not None:
                starting(clip)
        if over and feed.given < len(feed.sound):
            raise PlaybackError(
                f"{shown(output.name)}: stopped in the middle; was it unplugged? Start again, {SAVE_INSTEAD}"
            )
        if over:
            return
        if feed.given != given:
            given, since = feed.given, time.monotonic()
        elif time.monotonic() - since > _STALLED_S:
            raise PlaybackError(
                f"{shown(output.name)}: takes no more sound; start the sound system of this computer anew, choose another "
                f"device with --device, {SAVE_INSTEAD}"
            )


def _close(stream: Any) -> None:
    def close() -> None:
        stream.abort(ignore_errors=True)
        stream.close(ignore_errors=True)

    with suppress(PlaybackError):
        _answered(close)


def _answered(call: Callable[[], _T]) -> _T:
    """The answer of the sound system, which may hang for ever.

    Raises:
        PlaybackError: no answer in time; whatever ``call`` raises.
    """
    remedy = f"start it anew (log out and in again), {SAVE_INSTEAD}"
    return within(call, what="the sound system", remedy=remedy, refusal=PlaybackError, seconds=_ANSWERS_WITHIN_S)


def _library() -> Any:
    return portaudio("no sound can be played", f", {SAVE_INSTEAD}", PlaybackError)


def _no_device(sounddevice: Any, device: str | None) -> PlaybackError:
    names = [str(each["name"]) for each in sounddevice.query_devices() if each["max_output_channels"] > 0]
    if not names:
        return PlaybackError(f"no loudspeaker or headphones found; connect some, {SAVE_INSTEAD}")
    known = ", ".join(f"{shown(name)}" for name in names[:8])
    if device is None:
        return PlaybackError(f"the system names no loudspeaker of its own; choose one with --device: {known}")
    return PlaybackError(f"--device {shown(device)}: no such loudspeaker, or several; there are: {known}")
