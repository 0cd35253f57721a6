"""What a session needs of the table it records for, and the questions that it asks itself."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from taptest.capture.happenings import FirstVerdict
from taptest.core.errors import shown
from taptest.signal.analysis import Analysis

NOTE_CHARACTERS = 500


class Entered(Protocol):
    """What became of a change to the table: ``conflict`` names the file beside it where it could not be made."""

    @property
    def notes(self) -> tuple[str, ...]: ...

    @property
    def conflict(self) -> Path | None: ...


class Dialogue(Protocol):
    """Questions asked one after the other; ``question`` is None when all are answered or the matter was given up."""

    @property
    def question(self) -> str | None: ...

    def answer(self, text: str) -> str:
        """Take an answer; what to say about it, "" for nothing."""
        ...


class Desk(Protocol):
    """The table that a session records for; every method may raise a TaptestError that says what to do."""

    def waiting(self) -> Sequence[str]:
        """Ids of the skis without a recording, in the order of the table, as it is now."""
        ...

    def recording(self, ski_id: str) -> str | None:
        """What the table names as a ski's recording, "" for nothing, None where there is no such ski."""
        ...

    def enter(self, ski_id: str, paths: Sequence[Path]) -> Entered:
        """Name the recordings in the table."""
        ...

    def add_note(self, ski_id: str, text: str) -> Entered:
        """Add to the ski's note."""
        ...

    def judge(self, ski_id: str, analyses: Sequence[Analysis]) -> FirstVerdict:
        """A first verdict, against what the table predicts for this ski alone."""
        ...

    def new_ski(self, ski_id: str) -> Dialogue:
        """Questions whose answers put a new ski into the table."""
        ...


class AddOrNot:
    """Whether an unknown id is a new ski, before its particulars are asked: a scanner may have misread it."""

    def __init__(self, desk: Desk, ski_id: str) -> None:
        self._desk, self._ski_id = desk, ski_id
        self._inner: Dialogue | None = None
        self._over = False

    @property
    def question(self) -> str | None:
        if self._over:
            return None
        if self._inner is not None:
            return self._inner.question
        return f"'{shown(self._ski_id)}' is neither a ski of the table nor a command. Add it as a new ski? (y/n)"

    def answer(self, text: str) -> str:
        if self._inner is not None:
            return self._inner.answer(text)
        if text.casefold() in ("y", "yes"):
            self._inner = self._desk.new_ski(self._ski_id)
            return ""
        self._over = text.casefold() in ("", "n", "no")
        return "" if self._over else "answer y or n"


class NoteText:
    """The text of a note."""

    def __init__(self, desk: Desk, ski_id: str) -> None:
        self._desk, self._ski_id = desk, ski_id
        self._over = False

    @property
    def question(self) -> str | None:
        return None if self._over else f"Note for ski {shown(self._ski_id)} (empty: none)"

    def answer(self, text: str) -> str:
        self._over = True
        if not text:
            return "nothing noted"
        told = self._desk.add_note(self._ski_id, text[:NOTE_CHARACTERS])
        return "; ".join((*told.notes, f"noted for ski {shown(self._ski_id)}"))
