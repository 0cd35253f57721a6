"""Results as lines of JSON in a file that only grows: whatever happens, all lines but a half-written last one stay good."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import msgspec

from taptest.archive.files import FileStamp, SoundFile, stamp_of
from taptest.archive.run import Known, Outcome, listening_document
from taptest.config.settings import Settings
from taptest.core.durable import sync_folder
from taptest.core.errors import ArchiveError, shown
from taptest.core.version import VERSION
from taptest.signal.analysis import Analysis

SCHEMA = "taptest.archive/1"
_BEGINS = f'{{"schema": "{SCHEMA}"'.encode("ascii")
_LONGEST_LINE = 1 << 24
_SYNC_S = 1.0  # a power cut costs the work of a second at most; a sync for every line would cost more than that
_NAME_CHARACTERS = 200

Describe = Callable[[Analysis], dict[str, object]]


@contextmanager
def open_lines(path: str | Path, settings: Settings, describe: Describe) -> Iterator[LinesFile]:
    """A file of results, to go on with or new; on the disk when the block is left, however it is left.

    Args:
        path: the file; its folder must exist.
        settings: those with which recordings are analysed now. What was done with others does not count as done.
        describe: makes the document of a recording, as in ``taptest.analysis/1``.

    Raises:
        ArchiveError: the file is something else, is in use, or cannot be read or written.
    """
    place = Path(path)
    name = shown(place, _NAME_CHARACTERS)
    if place.exists() and not place.is_file():
        raise ArchiveError(f"{name}: is no file but a folder or a device; name a file such as results.jsonl")
    try:
        stream = place.open("a+b", buffering=0)
    except FileNotFoundError:
        raise ArchiveError(f"{name}: there is no such folder; make it, or name another one") from None
    except OSError as problem:
        raise ArchiveError(f"{name}: cannot be written ({_reason(problem)}); name a file that can") from None
    with stream:
        _lock(stream, name)
        try:
            kept = _read(stream, name, place, settings)
            sync_folder(place.absolute().parent)
        except OSError as problem:
            raise ArchiveError(f"{name}: cannot be read ({_reason(problem)}); name another file") from None
        lines = LinesFile(stream, place, settings, describe, kept)
        try:
            yield lines
        finally:
            lines.sync()


class _Line(msgspec.Struct):
    """What a line says of its file; the rest of it is for others."""

    schema: str
    path: str = ""
    error: str | None = None
    software: str = ""
    settings: Any = None
    size_bytes: int | None = None
    modified: str | None = None
    file_sha256: str | None = None


_Read = tuple[dict[str, tuple[FileStamp, str | None]], tuple[str, ...]]


class LinesFile:
    """An open file of results; see `open_lines`. ``notes``: what was found amiss in it."""

    def __init__(self, stream: BinaryIO, place: Path, settings: Settings, describe: Describe, read: _Read) -> None:
        self._kept, self.notes = read
        self._stream, self._place, self._describe = stream, place, describe
        self._settings = listening_document(settings)
        self._synced = time.monotonic()

    def known(self, file: SoundFile) -> Known | None:
        """A file is the same while size and time of change are, or, if only the time differs, its contents."""
        stamp, error = self._kept.get(written_path(file, self._place), (None, None))
        if stamp is None:
            return None
        try:
            now = stamp_of(file.path)
            if now.size_bytes != stamp.size_bytes:
                return None
            if now.modified != stamp.modified and not (
                stamp.sha256 and stamp.sha256 == stamp_of(file.path, with_contents=True).sha256
            ):
                return None
        except OSError:
            return None
        return Known(error)

    def add(self, outcome: Outcome) -> str | None:
        """Write a line, and force lines to the disk at least every second.

        Raises:
            ArchiveError: it could not be written.
        """
        stamp = outcome.stamp
        document: dict[str, object] = {
            "schema": SCHEMA,
            "path": written_path(outcome.file, self._place),
            "error": outcome.error,
            "software": outcome.software,
            "settings": self._settings,
            "size_bytes": None if stamp is None else stamp.size_bytes,
            "modified": None if stamp is None else stamp.modified,
            "file_sha256": None if stamp is None else stamp.sha256,
            "sound_sha256": outcome.sound_sha256,
        }
        if outcome.analysis is not None:
            recording = self._describe(outcome.analysis)
            document.update((key, value) for key, value in recording.items() if key != "path")
        line = json.dumps(document, allow_nan=False).encode("ascii") + b"\n"
        try:
            while line:
                line = line[self._stream.write(line) :]
            if time.monotonic() - self._synced > _SYNC_S:
                self.sync()
        except OSError as problem:
            raise ArchiveError(
                f"{shown(self._place, _NAME_CHARACTERS)}: cannot be written ({_reason(problem)}); make room and start again:"
                " what was written before is kept"
            ) from None
        return None

    def sync(self) -> None:
        """Force what was written to the disk."""
        os.fsync(self._stream.fileno())
        self._synced = time.monotonic()


def written_path(file: SoundFile, place: Path) -> str:
    """A file's path as a line has it: from the folder of the lines where it lies below it, otherwise from the root."""
    folder = os.path.abspath(place.parent)  # noqa: PTH100 (resolve() would follow links)
    path = Path(file.path)
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)


def _read(stream: BinaryIO, name: str, place: Path, settings: Settings) -> _Read:
    """What of the file still holds; a half-written last line is cut off."""
    wanted = json.loads(json.dumps(listening_document(settings)))
    kept: dict[str, tuple[FileStamp, str | None]] = {}
    notes = []
    stream.seek(0)
    end = 0
    with open(stream.fileno(), "rb", closefd=False) as reader:
        number = 0
        while line := reader.readline(_LONGEST_LINE):
            number += 1
            if not line.endswith(b"\n"):
                if (number == 1 and line[: len(_BEGINS)] != _BEGINS[: len(line)]) or len(line) == _LONGEST_LINE:
                    raise _foreign(name, number)
                notes.append(f"{name}: its last line was cut off, as by a power cut; that recording is analysed again")
                break
            end += len(line)
            try:
                found = msgspec.json.decode(line, type=_Line)
            except (ValueError, RecursionError):  # msgspec's errors are ValueErrors
                if number == 1 and not line.startswith(_BEGINS):
                    raise _foreign(name, number) from None
                notes.append(f"{name}: line {number} is damaged and counts as not done; it is left as it is")
                continue
            if found.schema != SCHEMA:
                raise _foreign(name, number)
            if (
                found.software == VERSION
                and found.settings == wanted
                and found.size_bytes is not None
                and found.modified
            ):
                stamp = FileStamp(found.size_bytes, found.modified, found.file_sha256)
                kept[found.path] = (stamp, found.error)
    os.ftruncate(stream.fileno(), end)
    return kept, tuple(notes)


def _foreign(name: str, number: int) -> ArchiveError:
    return ArchiveError(
        f"{name} line {number}: is no line of {SCHEMA}, so nothing is added to this file; name a new one, or one that"
        " --lines wrote"
    )


def _lock(stream: BinaryIO, name: str) -> None:
    """Two runs that write to one file would do the same work twice; where the system knows no locks, nothing stops them."""
    if os.name != "posix":
        return
    import fcntl

    try:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise ArchiveError(f"{name}: another run is writing to it; wait for its end, or name another file") from None
    except OSError:  # a file system without locks
        return


def _reason(problem: OSError) -> str:
    return problem.strerror or str(problem)
