"""Taps, or the modes heard in them, one after another at one loudness, for comparison by ear."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.config.settings import Settings
from taptest.core.errors import PlaybackError, RecordingError, shown
from taptest.io.recording import Recording, read_recording
from taptest.io.resampling import at_rate
from taptest.signal.analysis import Analysis, Mode, analyse
from taptest.signal.loudness import exposure_db
from taptest.signal.resynthesis import LEVEL_DBFS, MOST_OCTAVES_UP, fade_out, resynthesise, within_reach
from taptest.signal.taps import Tap

Real = NDArray[np.float64]

RATE_HZ = 48_000

_LEAD_S = 1.0  # of silence before the first sound: time to take the headphones off
_GAP_S = 0.4
_BEFORE_S = 0.01  # of the recording before the contact, so that the blow is whole


@dataclass(frozen=True)
class Source:
    """What somebody wants to hear: a name to show, and the recordings of it, of which the first good one is taken."""

    name: str
    recordings: tuple[str, ...]


@dataclass(frozen=True)
class PlayOptions:
    """How to play: one tap of each recording, or (``modes``) a blow made of the modes heard in it.

    ``octaves_up`` whole octaves to shift up by; the damping ratio stays and so a sound an octave higher is over in half the
    time, unless ``keep_decay_time``, which only resynthesised modes can do. ``seconds`` of each sound, as played.
    """

    modes: bool = False
    octaves_up: int = 0
    keep_decay_time: bool = False
    seconds: float = 2.0

    def __post_init__(self) -> None:
        if not 0 <= self.octaves_up <= MOST_OCTAVES_UP:
            raise PlaybackError(f"{self.octaves_up} octaves up: 0 to {MOST_OCTAVES_UP} are possible")
        least_s, most_s = LIMITS.playback.shortest_s, LIMITS.playback.longest_s
        if not least_s <= self.seconds <= most_s:
            raise PlaybackError(f"{self.seconds:g} s of each sound: {least_s:g} to {most_s:g} s are possible")
        if self.keep_decay_time and not self.modes:
            raise PlaybackError("a recorded tap cannot keep its decay time when it is shifted; play its modes instead")


@dataclass(frozen=True, eq=False)
class Clip:
    """One sound: ``samples`` (frames,), as it is to be played.

    ``kind``: a recorded ``tap``, whose contact lies at ``onset_s`` of the recording, or its resynthesised ``modes``.
    ``heard`` are the modes in the sound, before any shift; ``left_out`` counts those that the shift pushes beyond the sample
    rate. ``gain_db`` is what was done to its level to match the others; ``quieter_db`` how far it stays below them, because
    it would otherwise be too loud at its peak.
    """

    name: str
    path: str
    kind: Literal["tap", "modes"]
    onset_s: float
    heard: tuple[Mode, ...]
    left_out: int
    samples: Real
    gain_db: float = 0.0
    quieter_db: float = 0.0

    @property
    def lowest(self) -> Mode | None:
        return min(self.heard, key=lambda mode: mode.frequency_hz, default=None)

    @property
    def strongest(self) -> Mode | None:
        return max(self.heard, key=lambda mode: mode.level_db, default=None)


@dataclass(frozen=True, eq=False)
class Playlist:
    """Sounds in the order in which they are played, all at one sample rate, and (``refused``) what cannot be played."""

    clips: tuple[Clip, ...]
    sample_rate_hz: int
    options: PlayOptions
    refused: tuple[str, ...] = ()

    def blocks(self) -> Iterator[tuple[Clip | None, Real]]:
        """Everything that goes to the loudspeaker in turn: each sound (frames,), and the silence (no clip) around it."""
        yield None, np.zeros(round(_LEAD_S * self.sample_rate_hz))
        for clip in self.clips:
            yield clip, clip.samples
            yield None, np.zeros(round(_GAP_S * self.sample_rate_hz))

    def begins_s(self) -> tuple[float, ...]:
        """When each sound begins, from the start of the whole [s]."""
        starts, frames = [], 0
        for clip, block in self.blocks():
            if clip is not None:
                starts.append(frames / self.sample_rate_hz)
            frames += len(block)
        return tuple(starts)

    @property
    def peak_dbfs(self) -> float:
        """Loudest sample of all [dB of full scale]."""
        return 20 * float(np.log10(max(np.abs(clip.samples).max() for clip in self.clips)))


def compose(
    sources: Sequence[Source],
    options: PlayOptions | None = None,
    *,
    settings: Settings | None = None,
    sample_rate_hz: int = RATE_HZ,
    progress: Callable[[], None] | None = None,
) -> Playlist:
    """Analyse the recordings and put one sound of each source into a row, level-matched.

    Nothing in a single source stops the others: what cannot be played is named in ``refused``.

    Args:
        sources: in the order in which they are to be heard; the same may come several times.
        options: taps or modes, how long, how high.
        settings: for the analysis.
        sample_rate_hz: of the result.
        progress: called after each source.

    Raises:
        PlaybackError: more sources than anybody listens to.
    """
    options, settings = options or PlayOptions(), settings or Settings()
    most = LIMITS.playback.most_clips
    if len(sources) > most:
        raise PlaybackError(f"{len(sources)} sounds in a row; at most {most} are played: name fewer")
    clips: list[Clip] = []
    refused: list[str] = []
    known: dict[tuple[str, ...], Clip | str] = {}
    for source in sources:
        if source.recordings not in known:
            known[source.recordings] = _clip_or_problem(source, options, settings, sample_rate_hz)
        outcome = known[source.recordings]
        if isinstance(outcome, Clip):
            clips.append(replace(outcome, name=source.name))
        elif outcome not in refused:
            refused.append(outcome)
        if progress is not None:
            progress()
    return Playlist(level_matched(clips, sample_rate_hz), sample_rate_hz, options, tuple(refused))


def level_matched(clips: Sequence[Clip], sample_rate_hz: int) -> tuple[Clip, ...]:
    """The same sounds with equal A-weighted sound exposure and no sample above ``LEVEL_DBFS``.

    One whose loudest sample comes too high before it is as loud as the others (low tones, to which the ear is deaf) would
    make all the others too quiet; it pulls them down by 12 dB below their median at most and then stays quieter.
    """
    if not clips:
        return ()
    peak_db = np.array([20 * np.log10(np.abs(clip.samples).max()) for clip in clips])
    loudness_db = np.array([exposure_db(clip.samples, sample_rate_hz) for clip in clips])
    reachable_db = loudness_db + LEVEL_DBFS - peak_db
    aim_db = max(float(reachable_db.min()), float(np.median(reachable_db)) - LIMITS.playback.most_lowered_db)
    matched = []
    for clip, loudness, reach in zip(clips, loudness_db, reachable_db, strict=True):
        gain_db = min(aim_db, float(reach)) - float(loudness)
        matched.append(
            replace(
                clip,
                samples=clip.samples * 10 ** (gain_db / 20),
                gain_db=gain_db,
                quieter_db=max(aim_db - float(reach), 0.0),
            )
        )
    return tuple(matched)


def _clip_or_problem(source: Source, options: PlayOptions, settings: Settings, sample_rate_hz: int) -> Clip | str:
    if not source.recordings:
        return f"{shown(source.name)}: has no recording; tap it and name the file in the table"
    reasons = []
    for path in source.recordings:
        try:
            recording = read_recording(path)
            return _clip(source.name, recording, analyse(recording, settings), options, sample_rate_hz)
        except (RecordingError, PlaybackError) as problem:
            reasons.append(str(problem))
    return reasons[0]


def _clip(name: str, recording: Recording, analysis: Analysis, options: PlayOptions, sample_rate_hz: int) -> Clip:
    if not analysis.accepted:
        why = sorted({reason for tap in analysis.taps for reason in tap.reasons})
        found = f"none of its taps can be used ({', '.join(why)})" if why else "no tap found in it"
        raise PlaybackError(f"{shown(recording.path, 200)}: {found}; tap the ski again")
    tap = max(analysis.accepted, key=lambda each: each.snr_db)
    heard = within_reach(analysis.modes, sample_rate_hz=sample_rate_hz, octaves_up=options.octaves_up)
    kept = tuple(mode for mode in analysis.modes if mode in heard)
    if options.modes and not kept:
        raise PlaybackError(
            f"{shown(recording.path, 200)}: no mode heard that could be played {options.octaves_up} octaves up;"
            " play the tap itself, or shift by fewer octaves"
        )
    if options.modes:
        sound = resynthesise(
            kept,
            sample_rate_hz=sample_rate_hz,
            seconds=options.seconds,
            octaves_up=options.octaves_up,
            keep_decay_time=options.keep_decay_time,
        )
    else:
        sound = _recorded(recording, analysis.channel - 1, tap, options, sample_rate_hz)
    return Clip(
        name=name,
        path=recording.path,
        kind="modes" if options.modes else "tap",
        onset_s=tap.onset / recording.sample_rate_hz,
        heard=kept,
        left_out=len(analysis.modes) - len(kept),
        samples=sound,
    )


def _recorded(recording: Recording, channel: int, tap: Tap, options: PlayOptions, sample_rate_hz: int) -> Real:
    """A tap cut out of its recording, without the offset of the recorder, faded in and out, at the speed of the shift."""
    rate = recording.sample_rate_hz
    before = round(_BEFORE_S * rate)
    start = max(tap.onset - before, 0)
    stop = min(tap.stop, tap.onset + round(options.seconds * rate * 2**options.octaves_up))
    sound = np.array(recording.samples[start:stop, channel], dtype=np.float64)
    sound -= sound.mean()
    rise = min(before // 2, tap.onset - start)
    sound[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / max(rise, 1))
    fade_out(sound, rate)
    return at_rate(sound, rate * 2**options.octaves_up, sample_rate_hz)


def check_save_name(path: str | Path) -> None:
    """Raise where no sound can be saved, before anything is worked out.

    Raises:
        PlaybackError: another ending than .wav and .flac, no such folder, or the file exists.
    """
    path = Path(path)
    name = shown(path, 200)
    if path.suffix.lower() not in (".wav", ".flac"):
        raise PlaybackError(f"{name}: sound is saved as .wav or .flac; end the name with one of these")
    if not path.parent.is_dir():
        raise PlaybackError(f"{name}: there is no folder {shown(path.parent, 200)}; make it, or choose another")
    if os.path.lexists(path):
        raise _exists(name)


def _exists(name: str) -> PlaybackError:
    return PlaybackError(f"{name}: exists already and is not overwritten; choose another name")


def save(playlist: Playlist, path: str | Path) -> None:
    """Write a playlist as a sound file, 24-bit WAV or FLAC as the name ends; a file that exists is not touched.

    Raises:
        PlaybackError: as `check_save_name`, nothing to write, or no room to write it.
    """
    import soundfile  # late: loads a shared library

    path = Path(path)
    check_save_name(path)
    name, kind = shown(path, 200), path.suffix[1:].upper()
    if not playlist.clips:
        raise PlaybackError(f"{name}: not written, as there is nothing to hear")
    try:
        # Exclusive, so that a recording is never overwritten by its own copy.
        path.open("xb").close()
        try:
            with soundfile.SoundFile(str(path), "w", playlist.sample_rate_hz, 1, "PCM_24", format=kind) as sound:
                for _, block in playlist.blocks():
                    sound.write(block)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
    except FileExistsError:
        raise _exists(name) from None
    except (OSError, soundfile.SoundFileError, AssertionError) as problem:
        # soundfile asserts that all was written, and says nothing where it was not.
        reason = shown(problem, 120) or "the disk is full"
        raise PlaybackError(f"{name}: cannot be written ({reason}); check the folder and the disk") from None
