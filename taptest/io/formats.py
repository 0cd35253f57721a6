"""Every kind of file that a recording may come in.

To add a format, write three things: a module here that reads it, its line in `FORMATS`, and a test. The module has two functions:
one that tells the format by how a file begins (and, where the contents do not say it, by its suffix), and one that takes a
`taptest.io.source.Source` and returns a `taptest.io.source.Sound`, or for pickups a `taptest.io.series.Series`, and raises
`taptest.io.source.refusal` for what it cannot read. Everything else follows from the line: messages that say what can be read,
what is looked for in folders, the largest file, and the checks that every recording has to pass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from taptest.io import containers, phone, text_series, universal
from taptest.io.series import Series
from taptest.io.source import Sound, Source

HEAD_BYTES = 400  # from which a format is told
_MB = 1_000_000


@dataclass(frozen=True)
class RecordingFormat:
    """One kind of file.

    Attributes:
        name: in messages.
        suffixes: that such files usually have, in lower case.
        begins: whether a file is of it, from its first `HEAD_BYTES` and its suffix in lower case.
        read: its contents.
        most_bytes: the largest file that is read; None where it is decoded as it is read.
        pickup: whether it holds the series of pickups, not sound.
    """

    name: str
    suffixes: tuple[str, ...]
    begins: Callable[[bytes, str], bool]
    read: Callable[[Source], Sound | Series]
    most_bytes: int | None = None
    pickup: bool = False


def _container(name: str, suffixes: tuple[str, ...], kind: containers.Container) -> RecordingFormat:
    return RecordingFormat(name, suffixes, kind.begins, partial(containers.read_container, kind.extent))


# In this order, the first that fits: a text has no beginning of its own, so there its suffix decides.
FORMATS: tuple[RecordingFormat, ...] = (
    RecordingFormat(
        "phone recording", (".m4a", ".3gp", ".aac", ".amr"), phone.begins, phone.read, most_bytes=300 * _MB
    ),
    RecordingFormat(
        "universal file", universal.SUFFIXES, universal.begins, universal.read, most_bytes=128 * _MB, pickup=True
    ),
    RecordingFormat(
        "text", text_series.SUFFIXES, text_series.begins, text_series.read, most_bytes=128 * _MB, pickup=True
    ),
    _container("WAV", (".wav", ".wave"), containers.WAVE),
    _container("RF64", (".rf64",), containers.RF64),
    _container("FLAC", (".flac",), containers.FLAC),
    _container("OGG", (".ogg", ".oga", ".opus"), containers.OGG),
    _container("MP3", (".mp3",), containers.MP3),
    _container("AIFF", (".aif", ".aiff", ".aifc"), containers.AIFF),
    _container("CAF", (".caf",), containers.CAF),
)
SOUND_SUFFIXES = tuple(suffix for each in FORMATS if not each.pickup for suffix in each.suffixes)
_SOUNDS = [each.name for each in FORMATS if not each.pickup and each.most_bytes is None]
READABLE = f"{', '.join(_SOUNDS[:-1])} or {_SOUNDS[-1]}"


def format_of(head: bytes, suffix: str) -> RecordingFormat | None:
    """The format of a file, from its first `HEAD_BYTES` and its suffix; None where it is of none."""
    return next((each for each in FORMATS if each.begins(head, suffix.lower())), None)
