"""The one base class of every error that taptest raises on purpose, and how foreign text is quoted in a message."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from taptest.core.messages import Message

SHOWN_CHARACTERS = 40


class TaptestError(Exception):
    """Something a user can act on: the message names what was found, what is accepted and what to do next."""


class RecordingError(TaptestError):
    """A sound file that cannot be analysed."""


class ConstructionError(TaptestError):
    """A construction file, or a measurement of a ski, from which no natural frequency can be predicted."""


class LotError(TaptestError):
    """A lot table that cannot be read at all (single bad cells are collected, not raised)."""


class PlaybackError(TaptestError):
    """A sound that cannot be made, played or saved."""


class SettingsError(TaptestError):
    """A setting that cannot be used; ``setting`` names the field of `Settings`."""

    def __init__(self, setting: str, problem: str) -> None:
        super().__init__(problem)
        self.setting = setting


class LimitsError(TaptestError):
    """Limits that cannot be used: a file with a fault, or a value that is no limit."""


class CalibrationError(TaptestError):
    """A calibration that cannot be made, stored or read."""


class CaptureError(TaptestError):
    """Sound that cannot be captured: no device, no permission, unplugged, stalled, or nowhere to store it."""


class ExchangeError(TaptestError):
    """A table or a spectrum that cannot be written for, or read from, another program."""


class LogbookError(TaptestError):
    """A logbook that cannot be opened, read or written."""


class LogbookDamaged(LogbookError):
    """A value in a logbook is not of its kind: something else than taptest has changed the file."""


class LogbookUnreachable(LogbookError):
    """A logbook whose server does not answer: what is to be kept must wait or go elsewhere."""


class ReportError(TaptestError):
    """A report or a picture that cannot be made or written."""


class ArchiveError(TaptestError):
    """An archive that cannot be worked through: a file of results that cannot be used, or workers that do not work."""


class PackageError(TaptestError):
    """Something that needs a package which only some users have, and it is not installed."""


class UnitError(TaptestError):
    """A number or a unit that cannot be taken without guessing: ``message`` says why, and what to write."""

    def __init__(self, message: Message) -> None:
        super().__init__(str(message))
        self.message = message


def nearest(name: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The one of some names that is most like a name, if one is at all; of long lists and names the beginning counts."""
    import difflib

    cut = {each[:100]: each for each in reversed(list(islice(known, 2_000)))}
    near = difflib.get_close_matches(name[:100], cut, n=1, cutoff=cutoff)
    return cut[near[0]] if near else None


def shown(text: object, limit: int = SHOWN_CHARACTERS) -> str:
    """Text from outside as it may stand in a message: one line, printable, at most about ``limit`` characters.

    A terminal obeys escape sequences in a file name or a cell, so everything unprintable is written as its escape.
    """
    raw = str(text)
    head = "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
        for character in raw[:limit]
    )
    return head if len(raw) <= limit else f"{head}… ({len(raw)} characters)"
