"""Files that survive a power cut: written beside their place, forced to the disk, then put there in one step."""

from __future__ import annotations

import os
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = ".taptest-"
_AT_CURRENT_FOLDER = -100
_EXCHANGE = 2


def write_durably(path: Path, data: bytes) -> None:
    """Put ``data`` at ``path`` so that at any moment either the old file or the whole new one is there.

    On return it is on the disk, the folder's entry included, as far as the system can be made to tell.

    Raises:
        OSError: not written; what was at ``path`` before still is.
    """
    temporary = _written_beside(path, data)
    try:
        temporary.replace(path)
    except OSError:
        _forget(temporary)
        raise
    sync_folder(path.parent)


def replace_durably(path: Path, data: bytes, expected: bytes) -> bytes:
    """As `write_durably`, but only over ``expected``; returns what was found there, so equal to it where it went well.

    Where the system can exchange two files in one step, the file that was replaced is compared afterwards, so that not
    even a change in the very last moment is lost: it is put back.

    Raises:
        OSError: not written; what was at ``path`` before still is.
    """
    found = path.read_bytes()
    if found != expected:
        return found
    temporary = _written_beside(path, data)
    try:
        if not _exchanged(temporary, path):
            found = path.read_bytes()
            if found == expected:
                temporary.replace(path)
        else:
            found = temporary.read_bytes()
            if found != expected:
                _exchanged(temporary, path)
    finally:
        _forget(temporary)
    sync_folder(path.parent)
    return found


@contextmanager
def sole_writer(folder: Path) -> Iterator[None]:
    """Keep other processes of this program from replacing files in a folder; foreign programs know nothing of it.

    Whoever holds it for more than two seconds is not waited for.
    """
    if os.name != "posix":
        yield
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        for _ in range(200):
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                time.sleep(0.01)
            except OSError:  # a file system without locks
                break
        yield
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Force the entries of a folder to the disk; a system that cannot open folders does so by itself."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def clear_leftovers(folder: Path) -> None:
    """Remove what a killed process left half written in a folder that only this program writes to."""
    with suppress(OSError):
        for path in folder.glob(f"{_PREFIX}*"):
            _forget(path)


def _written_beside(path: Path, data: bytes) -> Path:
    handle, name = tempfile.mkstemp(prefix=_PREFIX, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        # The private mode of a temporary file would lock out colleagues: as the old file, or as any new one.
        Path(name).chmod(stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o666 & ~_umask())
    except OSError:
        _forget(Path(name))
        raise
    return Path(name)


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _exchanged(one: Path, other: Path) -> bool:
    """Let two files change places in one step; False where the system knows no such thing."""
    if not sys.platform.startswith("linux"):
        return False
    import ctypes  # late: needed only when a table is written

    try:
        renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    here = _AT_CURRENT_FOLDER
    return bool(renameat2(here, os.fsencode(one), here, os.fsencode(other), _EXCHANGE) == 0)


def _forget(path: Path) -> None:
    with suppress(OSError):
        path.unlink(missing_ok=True)
