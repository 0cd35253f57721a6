"""Accepted taps on the disk: each one safe before anybody hears of it, and one FLAC per ski in the end.

Below the folder of the recordings, every tap of an unfinished ski is a file ``unfinished/NAME/tap-001.flac``, the tap's
window alone. A finished ski's taps are joined into ``NAME.flac``; what was dropped lies below ``dropped``. Nothing is
ever overwritten but by the same taps, and every step is one rename, so that a process killed at any moment leaves
either the state before or the state after.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import secrets
import shutil
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.capture.stream import HeardTap
from taptest.core.durable import clear_leftovers, sync_folder, write_durably
from taptest.core.errors import CaptureError, shown
from taptest.signal.taps import frame_length

Words = NDArray[np.int32]
Told = dict[str, str | int]  # particulars written into a file

_UNFINISHED = "unfinished"
_DROPPED = "dropped"
_DONE = ".done-"
_TAP = re.compile(r"tap-([0-9]{3,6})\.flac")
_FADE_S = 0.010  # over which windows that do not follow each other are blended, so that no click sits in between
_FULL_SCALE = 2**23
_LONGEST_NAME = 60
_RESERVED = re.compile(r"(?i:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?")


@dataclass(frozen=True)
class KeptTap:
    """A tap on the disk: ``take`` is shared by the taps of one ski since it was started anew, ``stream`` by what one source
    delivered without a break; ``start_frame`` counts from the start of the stream."""

    path: Path
    ski_id: str
    take: str
    stream: str
    start_frame: int

    @property
    def told(self) -> Told:
        """What is written into the file."""
        return {"take": self.take, "stream": self.stream, "start_frame": self.start_frame}


@dataclass(frozen=True, eq=False)
class Window:
    """The samples of a kept tap: 24-bit words in the upper three quarters of 32 bits, as `from_samples` takes them."""

    kept: KeptTap
    words: Words
    sample_rate_hz: int


@dataclass(frozen=True, eq=False)
class Joined:
    """A finished ski's taps in one file, what is in it, and the particulars written into it."""

    path: Path
    words: Words
    sample_rate_hz: int
    told: Told


class Store:
    """The recordings of one lot."""

    def __init__(self, folder: Path) -> None:
        """
        Raises:
            CaptureError: the folder cannot be made or written.
        """
        self.folder = folder
        self._takes: dict[str, list[KeptTap]] = {}
        with _writing(folder):
            for each in (folder, folder / _UNFINISHED):
                each.mkdir(parents=True, exist_ok=True)
                clear_leftovers(each)
            sync_folder(folder.parent)
            for place in sorted((folder / _UNFINISHED).iterdir()):
                if place.name.startswith(_DONE):
                    shutil.rmtree(place, ignore_errors=True)
                elif place.is_dir():
                    clear_leftovers(place)
                    self._find(place)

    def unfinished(self) -> tuple[str, ...]:
        """Ids of the skis of which some taps are kept and not joined yet."""
        return tuple(self._takes)

    def count(self, ski_id: str) -> int:
        """Number of taps kept of an unfinished ski."""
        return len(self._takes.get(ski_id, ()))

    def keep(self, ski_id: str, tap: HeardTap, stream: str) -> KeptTap:
        """Store a tap; on return it is on the disk.

        Raises:
            CaptureError: it could not be stored, and nothing of it is kept.
        """
        taps = self._takes.get(ski_id, [])
        place = taps[0].path.parent if taps else self._place(ski_id)
        take = taps[0].take if taps else secrets.token_hex(8)
        start_frame = round(tap.onset_s * tap.sample_rate_hz) - tap.onset
        with _writing(place):
            if not place.exists():
                place.mkdir()
                sync_folder(place.parent)
            # Counted from what is there, a damaged file included: nothing is written over.
            number = max(map(_number, place.iterdir()), default=0) + 1
            kept = KeptTap(place / f"tap-{number:03d}.flac", ski_id, take, stream, start_frame)
            write_durably(kept.path, _flac(to_words(tap.samples), tap.sample_rate_hz, ski_id, kept.told))
        self._takes.setdefault(ski_id, []).append(kept)
        return kept

    def extend(self, kept: KeptTap, samples: NDArray[np.floating]) -> None:
        """Add to a kept tap what followed it in the stream; it stays whole at any moment.

        Raises:
            CaptureError: it cannot be read or written, and stays as it was.
        """
        if not len(samples) or kept not in self._takes.get(kept.ski_id, ()):
            return
        window = self._read(kept)
        words = np.concatenate((window.words, to_words(samples)))
        with _writing(kept.path):
            write_durably(kept.path, _flac(words, window.sample_rate_hz, kept.ski_id, kept.told))

    def drop_last(self, ski_id: str) -> Path | None:
        """Move the last tap out of the way; where it is now, or None where there is none.

        Raises:
            CaptureError: it cannot be moved.
        """
        return self.drop(ski_id, self.count(ski_id) - 1) if self.count(ski_id) else None

    def drop(self, ski_id: str, index: int) -> Path:
        """Move one tap, counted from 0, out of the way; where it is now.

        Raises:
            CaptureError: it cannot be moved.
        """
        taps = self._takes[ski_id]
        moved = self._move_to_dropped(taps[index])
        place = taps.pop(index).path.parent
        if not taps:
            self._close(ski_id, place)
        return moved

    def set_aside(self, ski_id: str) -> int:
        """Move all taps of an unfinished ski out of the way; how many they were.

        Raises:
            CaptureError: one cannot be moved.
        """
        count = self.count(ski_id)
        while self.drop_last(ski_id) is not None:
            pass
        return count

    def windows(self, ski_id: str) -> tuple[Window, ...]:
        """The taps kept of an unfinished ski, in order of time.

        Raises:
            CaptureError: one cannot be read.
        """
        return tuple(self._read(kept) for kept in self._takes.get(ski_id, ()))

    def join(self, ski_id: str) -> tuple[Joined, ...]:
        """Put the taps of a ski into one file (one per sample rate, where the device has changed in between).

        The single taps stay until `retire`: joining them again gives the same files.

        Raises:
            CaptureError: it cannot be read or written; the taps are still there.
        """
        windows = self.windows(ski_id)
        joined: list[Joined] = []
        for rate in sorted({window.sample_rate_hz for window in windows}, reverse=True):
            same = [window for window in windows if window.sample_rate_hz == rate]
            told: Told = {"take": same[0].kept.take, "taps": len(same), "rate": rate}
            path = self._free_name(ski_id, told, f"_{rate}_hz" if joined else "")
            joined.append(Joined(path, join_windows(same), rate, told))
        for each in joined:
            with _writing(each.path):
                write_durably(each.path, _flac(each.words, each.sample_rate_hz, ski_id, each.told))
        return tuple(joined)

    def retire(self, ski_id: str) -> None:
        """Forget the single taps of a ski that has been joined and entered in the table."""
        taps = self._takes.pop(ski_id, None)
        if taps:
            self._close(ski_id, taps[0].path.parent)

    def _close(self, ski_id: str, place: Path) -> None:
        """Let the folder of a ski vanish in one step: half of its taps must never look like all of them."""
        self._takes.pop(ski_id, None)
        done = place.with_name(f"{_DONE}{secrets.token_hex(4)}")
        with suppress(OSError):
            place.rename(done)
            sync_folder(place.parent)
            shutil.rmtree(done, ignore_errors=True)

    def _find(self, place: Path) -> None:
        for path in sorted(place.iterdir(), key=lambda path: (len(path.name), path.name)):
            told = _told(path) if _TAP.fullmatch(path.name) else None
            if told is not None:
                ski_id, about = told
                kept = KeptTap(path, ski_id, about["take"], about["stream"], int(about["start_frame"]))
                self._takes.setdefault(ski_id, []).append(kept)
        if not any(place.iterdir()):
            place.rmdir()

    def _place(self, ski_id: str) -> Path:
        """The folder for the taps of a ski, which no other ski uses, whether or not the disk tells a from A."""
        others = {
            taps[0].path.parent.name.casefold() for other, taps in self._takes.items() if other != ski_id and taps
        }
        name = safe_name(ski_id)
        return self.folder / _UNFINISHED / (f"{name}-{_digest(ski_id)}" if name.casefold() in others else name)

    def _free_name(self, ski_id: str, told: Told, ending: str) -> Path:
        """A name nobody uses, or that of the very same take, which a killed process may have written already."""
        here = {path.name.casefold(): path for path in self.folder.iterdir()}
        stem = f"{safe_name(ski_id)}{ending}"
        found = here.get(f"{stem}.flac".casefold())
        if found is not None and (_told(found) or ("", {}))[0] != ski_id:
            stem = f"{stem}-{_digest(ski_id)}"
        for count in range(1, 10_000):
            name = f"{stem}.flac" if count == 1 else f"{stem}_{count}.flac"
            found = here.get(name.casefold())
            before = _told(found) if found is not None else None
            if found is None or (before is not None and before[0] == ski_id and _same_take(before[1], told)):
                return self.folder / name
        raise CaptureError(f"{shown(self.folder, 200)}: holds 9999 recordings of ski {shown(ski_id)}; clear it out")

    def _move_to_dropped(self, kept: KeptTap) -> Path:
        place = self.folder / _DROPPED
        number = _number(kept.path)
        target = place / f"{kept.path.parent.name}-{kept.take}-tap-{number:03d}-{secrets.token_hex(2)}.flac"
        with _writing(kept.path):
            place.mkdir(exist_ok=True)
            kept.path.rename(target)
        with suppress(OSError):
            sync_folder(place)
            sync_folder(kept.path.parent)
        return target

    def _read(self, kept: KeptTap) -> Window:
        import soundfile  # late: loads a shared library

        try:
            with soundfile.SoundFile(str(kept.path)) as stream:
                return Window(kept, stream.read(dtype="int32"), stream.samplerate)
        except (OSError, RuntimeError) as problem:
            raise CaptureError(
                f"{shown(kept.path, 200)}: cannot be read ({shown(problem, 80)}); look at the disk, or move this file "
                "away and tap once more"
            ) from problem


def to_words(samples: NDArray[np.floating]) -> Words:
    """Samples (frames,) of ±1.0 full scale as 24-bit words in the upper bits of 32; a louder tap is halved until it fits."""
    values = np.asarray(samples, dtype=np.float64)
    peak = float(np.abs(values).max(initial=0.0))
    # Only a floating-point source goes beyond full scale; one that just reaches it is rounded to the last step.
    while peak > 1.0:
        values, peak = values / 2, peak / 2
    words = np.clip(np.rint(values * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1).astype(np.int32)
    return np.left_shift(words, 8)


def join_windows(windows: Sequence[Window]) -> Words:
    """Windows of one sample rate one after the other.

    Where one follows the other in the stream they meet exactly as they were, what both hold only once. Otherwise the end
    of one is blended into the start of the next, with the power of the noise kept: cos² + sin² = 1. What is left out in between
    is a whole number of frames, so that a contact is found at the very same sample as in the stream.
    """
    joined = windows[0].words
    for before, window in pairwise(windows):
        words = window.words
        overlap = before.kept.start_frame + len(before.words) - window.kept.start_frame
        if before.kept.stream == window.kept.stream and 0 <= overlap < len(words):
            joined = np.concatenate((joined, words[overlap:]))
            continue
        fade = min(round(_FADE_S * window.sample_rate_hz), len(joined) // 2, len(words))
        joined = joined[: len(joined) - _out_of_step(windows[0], len(joined) - fade, window)]
        angle = (np.arange(fade) + 0.5) / fade * (np.pi / 2)
        blend = joined[len(joined) - fade :] * np.cos(angle) + words[:fade] * np.sin(angle)
        limits = -_FULL_SCALE, _FULL_SCALE - 1
        meeting = np.left_shift(np.clip(np.rint(blend / 256), *limits).astype(np.int32), 8)
        joined = np.concatenate((joined[: len(joined) - fade], meeting, words[fade:]))
    return joined


def _out_of_step(first: Window, place: int, window: Window) -> int:
    """How many samples too late ``place`` is for frames of energy to fall in the window as they did in the stream."""
    if first.kept.stream != window.kept.stream:
        return 0
    return (place - (window.kept.start_frame - first.kept.start_frame)) % frame_length(window.sample_rate_hz)


def _flac(words: Words, sample_rate_hz: int, ski_id: str, told: Told) -> bytes:
    import soundfile  # late: loads a shared library

    target = io.BytesIO()
    with soundfile.SoundFile(target, "w", sample_rate_hz, 1, subtype="PCM_24", format="FLAC") as stream:
        stream.title = ski_id
        stream.comment = json.dumps({"taptest": told})
        stream.write(words)
    return target.getvalue()


def _told(path: Path) -> tuple[str, dict[str, str]] | None:
    """Ski and particulars that `_flac` has written into a file; None where they are not there."""
    import soundfile

    try:
        with soundfile.SoundFile(str(path)) as stream:
            return stream.title, dict(json.loads(stream.comment)["taptest"])
    except (OSError, RuntimeError, ValueError, KeyError, TypeError):
        return None


def _same_take(before: dict[str, str], told: Told) -> bool:
    return before.get("take") == told["take"] and before.get("rate") == told["rate"]


def _number(path: Path) -> int:
    found = _TAP.fullmatch(path.name)
    return int(found[1]) if found else 0


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    """What the system refuses here is a CaptureError that names the path."""
    try:
        yield
    except OSError as problem:
        reason = shown(problem.strerror or problem, 80)
        raise CaptureError(
            f"{shown(path, 200)}: cannot be written ({reason}), so this was not kept; make room on the disk or allow "
            "writing, then go on: everything announced before is stored"
        ) from problem


def safe_name(ski_id: str) -> str:
    """An id as a file name that every system takes: ASCII letters, digits, ``.``, ``_`` and ``-``, at most 69 characters.

    What has to be changed for that is marked by eight digits of the id's hash, so that two ids never share a name.

    >>> safe_name("17L"), safe_name("Schöne 1/2"), safe_name("nul")
    ('17L', 'Schone_1_2-d092c912', '_nul-99e62427')
    """
    plain = unicodedata.normalize("NFKD", ski_id).encode("ascii", "ignore").decode("ascii")
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", plain)[:_LONGEST_NAME].strip("._-") or "ski"
    if _RESERVED.fullmatch(name):
        name = f"_{name}"
    return name if name == ski_id else f"{name}-{_digest(ski_id)}"


def _digest(ski_id: str) -> str:
    """Eight hexadecimal digits that tell ids apart whose names do not."""
    return hashlib.sha256(ski_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
