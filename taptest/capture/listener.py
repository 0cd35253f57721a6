"""Find and judge taps in a sound while it goes on, with the code that judges recordings.

A jump of the level as at a contact starts a watch. When the ring has sunk into the noise, or the next contact comes, the
stretch from the silence before it to that moment is judged as a recording of its own would be: same onsets, same reasons,
same fit. What a recording takes from its whole length comes from memory instead: the noise floor from the last ten seconds,
the noise from the silences before the last few taps, and what else sounded from the last half minute.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from taptest.capture.buffer import SoundBuffer
from taptest.capture.stream import Block, HeardTap, Level, Samples
from taptest.config.settings import Settings
from taptest.core.errors import CaptureError
from taptest.signal.analysis import (
    Analysis,
    Resonances,
    among_other_sounds,
    find_resonances,
    noise_between,
    refuse_if_deaf,
)
from taptest.signal.resonance import ROUNDS
from taptest.signal.silence import silences
from taptest.signal.spectrum import Noise
from taptest.signal.taps import Envelope, Real, Tap, first_quiet, frame_length, judge_taps, sharp_rises, smoothed

Event = Level | HeardTap

# In frames of a millisecond.
_STEP = 10  # the sound is looked at in steps of so many, whatever the size of the blocks
_LEVEL_EVERY = 50
_PEAK_HELD = 30  # of those
_FLOOR_EVERY = 250
_LOOK_BACK = 140  # a rise is compared with the tenth of a second before it
_FIRST_LOOK = 600
_RISE_TAKES = 3  # to be told from the frames after it
_BEFORE = 1_100  # kept before a contact: its silence is a second at most
_SETTLED = 210  # after the ring, so that a floor that has moved is seen (taps.py)
_SUNK = 100  # after the ring, so that it has certainly sunk (taps.py); the fit begins then, to be ready by ``_SETTLED``
_SHORTEST = 470  # a second contact may be hidden for so long (taps.py)
_LONGEST = 6_200  # a record is six seconds at most
_NEXT_RISE = 150  # two contacts closer than this are one bad tap (taps.py)
_CONFIRM = 250  # after a rise within a ring, until it can be told whether it was a contact
_EDGE = 12  # of a stretch, in which its beginning would look like a rise
_CONTEXT = 200
_TRUNCATED = 8_000  # a stretch that goes on for so long is cut
_REMEMBERED_S = 30.0
_SILENCES = 4
_KEEP_S = 12.0
_TOUCHED_S = 0.02  # what is lost so shortly before a contact may have been its beginning


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Samples of one channel from a position on."""

    values: Real
    start: int


@dataclass(frozen=True)
class _Found:
    """A tap, and where in the stretch it ends at the latest."""

    tap: Tap
    limit: int


@dataclass(frozen=True, eq=False)
class _Look:
    """What the fit to one tap found, ``position`` being that of its onset."""

    position: int
    found: Resonances
    noise: Noise
    silences: list[Real]


class Listener:
    """Feed it blocks, get levels (at most twenty a second) and judged taps in return.

    It takes the channel of the settings, or the one in which taps stand out most. Results do not depend on how the sound is
    cut into blocks.
    The analysis of a good tap is a first look at its strong modes, in a sixth of the time that all of them would take.
    """

    def __init__(self, sample_rate_hz: int, *, settings: Settings | None = None) -> None:
        """Raises: RecordingError when the range of ``settings`` lies above what the sample rate can hold."""
        self._settings = settings or Settings()
        self.sample_rate_hz = sample_rate_hz
        self._rate = float(sample_rate_hz)
        refuse_if_deaf("this source", self._rate, self._settings)
        self._wanted = self._settings.channel
        self._sound: SoundBuffer | None = None
        self._waiting: list[Samples] = []
        self._channel = 0
        self._channel_fixed = self._wanted is not None
        self._full_scale = 1.0
        self._floor = 0.0
        self._scanned = 0
        self._trigger: int | None = None  # frame of the first rise that is not judged yet
        self._onset = 0  # frame of the last contact of the stretch that is watched
        self._last_rise = -_NEXT_RISE
        self._confirm_at: int | None = None
        self._look: _Look | None = None
        self._looked = False
        self._quiet_from = 0  # position from which on a stretch may begin
        self._reported = -(10**9)  # position of the last onset that was reported
        self._kept_until = 0  # position behind the samples of the last good tap
        self._ignored: tuple[int, int] = (0, 0)  # positions
        self._received = 0
        self._losses: deque[tuple[int, int]] = deque(maxlen=200)  # position, frames
        self.lost_frames = 0
        self._peaks: deque[float] = deque(maxlen=_PEAK_HELD)
        self._remembered: deque[tuple[int, Tap]] = deque(maxlen=100)
        self._silences: deque[Real] = deque(maxlen=_SILENCES)
        self._noise: Noise | None = None

    def feed(self, block: Block) -> list[Event]:
        """What the next samples bring.

        Raises: CaptureError when the number of channels changes, lacks the one asked for, or a sample is not a number.
        """
        samples = np.asarray(block.samples, dtype=np.float32)
        if samples.ndim != 2:
            raise CaptureError(f"a block of shape {samples.shape}; give (frames, channels)")
        sound = self._opened(samples.shape[1])
        if not np.isfinite(samples).all():
            raise CaptureError(
                "the source gives samples that are not numbers; close other audio programs and try again"
            )
        if block.lost_frames > 0:
            self._lose(block.lost_frames)
        self._received += len(samples)
        if len(samples) and float(np.abs(samples).max()) > 1.0:
            self._full_scale = np.inf  # a floating-point source that does not clip at 1
        self._waiting.append(samples)
        step = _STEP * sound.frame
        if sum(map(len, self._waiting)) < step:
            return []
        pending = np.concatenate(self._waiting)
        whole = len(pending) // step * step
        self._waiting = [pending[whole:].copy()]
        return [event for start in range(0, whole, step) for event in self._step(sound, pending[start : start + step])]

    def finish(self) -> list[Event]:
        """The source has ended: judge what is still pending."""
        if self._sound is None:
            return []
        rest = np.concatenate(self._waiting) if self._waiting else np.zeros((0, self._sound.channels), np.float32)
        whole = len(rest) // self._sound.frame * self._sound.frame
        self._waiting = []
        events = self._step(self._sound, rest[:whole]) if whole else []
        self._floor = self._sound.floor(self._channel)
        self._look_for_rises(self._sound, ended=True)
        return events + (self._judge(self._sound, ended=True) if self._trigger is not None else [])

    def ignore(self, seconds: float) -> None:
        """From now on for so long, what is heard is this program's own sound: neither tap nor noise.

        The caller adds how late the sound leaves the speaker and comes back through the microphone.
        """
        begin, end = self._ignored
        still = begin <= self._received < end
        self._ignored = (begin if still else self._received, max(end, self._received + round(seconds * self._rate)))

    def _opened(self, channels: int) -> SoundBuffer:
        if self._sound is None:
            if self._wanted is not None and not 1 <= self._wanted <= channels:
                raise CaptureError(
                    f"channel {self._wanted} asked for, but the source has {channels}: choose 1 to {channels}"
                )
            self._channel = (self._wanted or 1) - 1
            self._channel_fixed = self._wanted is not None or channels == 1
            self._sound = SoundBuffer(self._rate, channels, keep_s=_KEEP_S)
        elif channels != self._sound.channels:
            raise CaptureError(f"the source changed from {self._sound.channels} to {channels} channels; start again")
        return self._sound

    def _lose(self, frames: int) -> None:
        self._losses.append((self._received, frames))
        self.lost_frames += frames
        if self._trigger is None:
            self._quiet_from = max(self._quiet_from, self._received)

    def _step(self, sound: SoundBuffer, samples: Samples) -> list[Event]:
        begin, end = self._ignored
        counts = not (sound.stop < end and sound.stop + len(samples) > begin)
        sound.append(samples, counts=counts)
        events: list[Event] = []
        if sound.frames % _FLOOR_EVERY < _STEP or sound.frames <= 10 * _STEP:
            self._floor = sound.floor(self._channel)
        if sound.frames % _LEVEL_EVERY < _STEP:
            events.append(self._level(sound))
        self._look_for_rises(sound)
        if self._trigger is not None:
            events += self._watch(sound)
        return events

    def _level(self, sound: SoundBuffer) -> Level:
        first = max(sound.frames - _LEVEL_EVERY, 0)
        latest = sound.samples(self._channel, first * sound.frame, sound.stop)
        self._peaks.append(float(np.abs(latest).max()))
        return Level(
            at_s=self._seconds(sound.stop),
            rms_db=_decibels(float(sound.energy(self._channel, first).mean())),
            peak_db=_decibels(max(self._peaks) ** 2),
            floor_db=_decibels(self._floor),
            lost_frames=self.lost_frames,
        )

    def _seconds(self, position: int) -> float:
        """Time since the start of the source; what was lost took its time too."""
        return (position + sum(n for at, n in self._losses if at <= position)) / self._rate

    def _look_for_rises(self, sound: SoundBuffer, *, ended: bool = False) -> None:
        last = sound.frames - _RISE_TAKES
        # Who taps at once has made no silence yet: the floor shows when the ring is over.
        if last <= self._scanned or (sound.frames < _FIRST_LOOK and not ended):
            return
        # Below half of what a contact must reach even now, nothing can be one whatever the floor will turn out to be.
        if sound.energy(self._channel, self._scanned).max() > 3.0 * self._floor:
            first = max(self._scanned - _LOOK_BACK, sound.start // sound.frame)
            energy = sound.energy(self._channel, first)
            rises = first + sharp_rises(energy, 0.5 * self._floor)[0]
            for rise in rises[(rises >= self._scanned) & (rises < last)]:
                self._risen(sound, int(rise))
        self._scanned = last

    def _risen(self, sound: SoundBuffer, frame: int) -> None:
        if frame - self._last_rise < _NEXT_RISE or self._own_sound(frame * sound.frame):
            return
        self._last_rise = frame
        if self._trigger is None:
            self._trigger = self._onset = frame
        elif self._confirm_at is None:
            self._confirm_at = frame + _CONFIRM

    def _own_sound(self, position: int) -> bool:
        return self._ignored[0] <= position < self._ignored[1]

    def _watch(self, sound: SoundBuffer) -> list[Event]:
        now = sound.frames
        if self._confirm_at is not None and now >= self._confirm_at:
            again = self._last_rise + _CONFIRM
            self._confirm_at = again if again > now else None
            return self._judge(sound)
        if now - self._onset < _SHORTEST - _SETTLED + _SUNK:
            return []
        ring = smoothed(sound.energy(self._channel, self._onset))[_STEP:]
        sunk = self._onset + _STEP + first_quiet(ring, self._floor)
        if self._is_over(now, self._onset, sunk):
            return self._judge(sound)
        if now - sunk >= _SUNK and not self._looked:
            self._looked = True
            self._look_ahead(sound)
        return []

    @staticmethod
    def _is_over(now: int, onset: int, sunk: int) -> bool:
        """Whether a tap can be judged (frames)."""
        return now - onset >= _SHORTEST and (now - sunk >= _SETTLED or now - onset >= _LONGEST)

    def _look_ahead(self, sound: SoundBuffer) -> None:
        """Fit the tap that has just rung out, while it is still open whether the floor stays where it was."""
        samples, new = self._new_taps(sound)
        if new and new[-1].tap.accepted:
            self._look = self._fitted(samples.values, new[-1].tap, samples.start)

    def _judge(self, sound: SoundBuffer, *, ended: bool = False) -> list[Event]:
        """Report the taps of the stretch that is watched, but not yet the last one while it may still ring."""
        samples, new = self._new_taps(sound)
        going_on = False
        if new:
            tap = new[-1].tap
            onset = (samples.start + tap.onset) // sound.frame
            sunk = samples.start + tap.onset + round(tap.ring_s * self._rate)
            going_on = not ended and not self._is_over(sound.frames, onset, sunk // sound.frame)
            if onset != self._onset:
                self._onset, self._looked = onset, False
            if not going_on:
                self._quiet_from = max(self._quiet_from, sunk)
        events: list[Event] = [
            self._reported_tap(samples.values[: n.limit], n.tap, samples.start) for n in (new[:-1] if going_on else new)
        ]
        if not going_on:
            self._look, self._looked, self._confirm_at = None, False, None
            # A rise a moment ago may be a contact of which too little has been heard.
            fresh = sound.frames - self._last_rise < _CONFIRM and self._last_rise > self._onset + _NEXT_RISE // 2
            self._trigger = self._last_rise if fresh and not ended else None
            self._onset = self._last_rise
        return events

    def _new_taps(self, sound: SoundBuffer) -> tuple[_Stretch, list[_Found]]:
        """The stretch that is watched, and the taps in it that have not been reported."""
        if not self._channel_fixed:
            self._channel = sound.loudest_channel()
        self._floor = sound.floor(self._channel)
        quiet = self._begin(sound)
        # What is in front of it only tells a rise from what was there already.
        start = max(quiet - _CONTEXT * sound.frame, sound.start)
        samples = sound.samples(self._channel, start, sound.stop).astype(np.float64)
        envelope = Envelope(samples, self._rate, floor=self._floor)
        taps = judge_taps(samples, self._rate, envelope, full_scale=self._full_scale, quiet_from=quiet - start)
        limits = [t.onset - round(0.004 * self._rate) for t in taps[1:]] + [len(samples)]
        found = [_Found(tap, limit) for tap, limit in zip(taps, limits[: len(taps)], strict=True)]
        earliest = quiet + _EDGE * sound.frame if quiet else 0
        return _Stretch(samples, start), [f for f in found if self._is_new(start + f.tap.onset, earliest)]

    def _begin(self, sound: SoundBuffer) -> int:
        """Position of the silence before the first rise, on the border of two frames."""
        assert self._trigger is not None
        first = max(self._trigger - _BEFORE, -(-self._quiet_from // sound.frame))
        own = -(-self._ignored[1] // sound.frame)
        if own < self._trigger:
            first = max(first, own)
        first = min(first, self._trigger - _EDGE - _RISE_TAKES)
        if sound.frames - first > _TRUNCATED and self._reported > first * sound.frame:
            first = self._reported // sound.frame - 2 * _NEXT_RISE
        return max(first, sound.start // sound.frame, 0) * sound.frame

    def _is_new(self, position: int, earliest: int) -> bool:
        after_last = position >= self._reported + round(0.1 * self._rate)
        return after_last and position >= earliest and not self._own_sound(position)

    def _reported_tap(self, samples: Real, tap: Tap, start: int) -> HeardTap:
        """One tap with its verdict; ``samples`` from position ``start`` to where the tap ends."""
        at, end = start + tap.onset, start + len(samples)
        frame = frame_length(self._rate)
        begin = max((start + tap.silence) // frame * frame, self._kept_until)
        if any(at - round(_TOUCHED_S * self._rate) < loss <= end for loss, _ in self._losses):
            tap = tap.refused("dropped-samples")
        look = self._look
        if not tap.accepted or look is None or look.position != at:
            look = self._fitted(samples, tap, start)
        found, noise = look.found, look.noise
        for reason in found.taps[0].reasons:
            tap = tap.refused(reason)
        tap = self._among_the_last(at, tap)
        self._reported = at
        if tap.accepted:
            self._kept_until, self._channel_fixed = end, True
            self._silences.extend(look.silences)
        shift = begin - start
        placed = replace(
            tap,
            onset=tap.onset - shift,
            start=tap.start - shift,
            stop=tap.stop - shift,
            silence=max(tap.silence - shift, 0),
        )
        kept = samples[shift:].astype(np.float32)
        return HeardTap(
            onset_s=self._seconds(at),
            onset=placed.onset,
            samples=kept,
            sample_rate_hz=self.sample_rate_hz,
            reasons=tap.reasons,
            analysis=Analysis(
                path="live",
                sample_rate_hz=self.sample_rate_hz,
                duration_s=len(kept) / self._rate,
                channel=self._channel + 1,
                channels=self._sound.channels if self._sound else 1,
                taps=(placed,),
                modes=found.modes if tap.accepted else (),
                noise=noise,
                record_s=found.record_s,
                flags=() if tap.accepted else ("no-good-tap",),
            ),
        )

    def _fitted(self, samples: Real, tap: Tap, start: int) -> _Look:
        """What rings in a tap, if nothing is wrong with it so far, and in what noise."""
        own = silences(samples, self._rate, [tap])
        if tap.accepted or self._noise is None:
            self._noise = noise_between([*self._silences, *own], samples, self._rate)
        noise = self._noise
        found = find_resonances(samples, self._rate, [tap], noise, self._settings, rounds=1)
        if tap.accepted and not found.taps[0].accepted:
            # What a first look does not explain, a second may.
            found = find_resonances(samples, self._rate, [tap], noise, self._settings, rounds=ROUNDS)
        return _Look(start + tap.onset, found, noise, own)

    def _among_the_last(self, at: int, tap: Tap) -> Tap:
        """The tap, refused where what sounded lately was mostly no taps."""
        while self._remembered and at - self._remembered[0][0] > _REMEMBERED_S * self._rate:
            self._remembered.popleft()
        self._remembered.append((at, tap))
        return among_other_sounds([t for _, t in self._remembered])[-1]


def _decibels(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
