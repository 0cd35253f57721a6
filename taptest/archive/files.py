"""Which sound files there are below some folders, and how to tell whether one has changed since."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from taptest.core.errors import shown
from taptest.io.formats import SOUND_SUFFIXES

_LARGEST_HASHED = 1 << 32
_NAME_CHARACTERS = 200


@dataclass(frozen=True)
class SoundFile:
    """A sound file: ``name`` as it was given or found, ``path`` the same from the root, so that any process finds it."""

    name: str
    path: str


def _sound_file(name: str) -> SoundFile:
    # resolve() would follow links, and then a link would not be found under its own name.
    return SoundFile(name, os.path.abspath(name))  # noqa: PTH100


@dataclass(frozen=True)
class FoundFiles:
    """Sound files in order, how many ``others`` lie beside them, and the folders that could not be looked into."""

    files: tuple[SoundFile, ...]
    others: int
    problems: tuple[str, ...]


def find_sound_files(names: Iterable[str], *, without: Path | None = None) -> FoundFiles:
    """The named files, and every sound file (by its suffix) in the named folders and the folders below, in order of names.

    A named file is taken whatever its suffix, a file named twice once. Links are followed, each folder is looked into
    once; what is hidden (its name begins with a dot) is passed by, and so is what lies ``without``: a folder to stay out of.
    """
    search = _Search()
    search.stay_out_of(without)
    found = [file for name in names for file in (search.below(name) if Path(name).is_dir() else [_sound_file(name)])]
    unique: dict[str, SoundFile] = {}
    for file in found:
        unique.setdefault(os.path.normcase(file.path), file)
    return FoundFiles(tuple(unique.values()), search.others, tuple(search.problems))


@dataclass(frozen=True)
class FileStamp:
    """What tells one state of a file from another: size, time of the last change (UTC, to the nanosecond), contents.

    ``sha256`` of the bytes is None where they were not read.
    """

    size_bytes: int
    modified: str
    sha256: str | None = None


def stamp_of(path: str, *, with_contents: bool = False) -> FileStamp:
    """The present state of a file.

    Raises:
        OSError: there is none, or it may not be read.
    """
    status = Path(path).stat()
    whole, part = divmod(status.st_mtime_ns, 1_000_000_000)
    modified = f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{part:09d}Z"
    hashed = with_contents and stat.S_ISREG(status.st_mode) and status.st_size <= _LARGEST_HASHED
    return FileStamp(status.st_size, modified, _sha256(path) if hashed else None)


def _sha256(path: str) -> str:
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class _Search:
    def __init__(self) -> None:
        self.others = 0
        self.problems: list[str] = []
        self._seen: set[tuple[int, int]] = set()

    def stay_out_of(self, folder: Path | None) -> None:
        if folder is not None and folder.is_dir():
            self._is_new(str(folder))

    def below(self, top: str) -> Iterator[SoundFile]:
        for folder, folders, files in os.walk(top, followlinks=True, onerror=self._closed):
            if not self._is_new(folder):
                folders.clear()
                continue
            folders[:] = sorted(name for name in folders if not name.startswith("."))
            sounds = sorted(name for name in files if _is_sound(name))
            self.others += len(files) - len(sounds)
            yield from (_sound_file(os.path.join(folder, name)) for name in sounds)  # noqa: PTH118 (a name as it was given)

    def _is_new(self, folder: str) -> bool:
        """Whether a folder was not looked into before; a link to one that holds it would never end."""
        try:
            status = Path(folder).stat()
        except OSError as problem:
            self._closed(problem)
            return False
        key = (status.st_dev, status.st_ino)
        new = key not in self._seen
        self._seen.add(key)
        return new

    def _closed(self, problem: OSError) -> None:
        name = shown(problem.filename or "a folder", _NAME_CHARACTERS)
        self.problems.append(f"{name}: cannot be looked into ({problem.strerror}); allow reading it, or leave it out")


def _is_sound(name: str) -> bool:
    return not name.startswith(".") and name.lower().endswith(SOUND_SUFFIXES)
