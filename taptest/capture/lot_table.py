"""A lot while it is being recorded: which skis wait, what is entered, and each ski's first verdict."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from taptest.beam.construction import Construction
from taptest.capture.dialogues import NewSki
from taptest.config.settings import Settings
from taptest.core.errors import ConstructionError, shown
from taptest.core.messages import message
from taptest.identify.measured_lot import construction_of
from taptest.screen.check import check_heard
from taptest.signal.analysis import Analysis
from taptest.ski.facts import SkiFacts
from taptest.ski.record import Judgement, Ski
from taptest.tables.edit import Change, LotEditor, Written, csv_beside
from taptest.tables.lot import Lot, read_lot


class LotTable:
    """A csv lot that is read anew whenever it has changed, whoever changed it."""

    def __init__(self, path: Path) -> None:
        """
        Raises:
            LotError: the table cannot be read, or the csv beside an .xlsx not be written.
        """
        lot, self.notes = csv_beside(path)
        self._editor = LotEditor(lot)
        self._known: tuple[bytes, Lot | None] = (b"", None)
        self._constructions: dict[str, Construction | ConstructionError | None] = {}
        self._before: dict[str, str | float] = {}
        self._lot()

    @property
    def path(self) -> Path:
        """The csv that is written to."""
        return self._editor.path

    @property
    def constructions(self) -> tuple[str, ...]:
        """What the table names as constructions of its skis."""
        return tuple(row.construction for row in self._lot().rows if row.construction)

    def waiting(self) -> list[str]:
        """Ids of the skis without a recording, in the order of the table."""
        text = self._editor.refresh()
        return [ski_id for ski_id in text.skis if not text.cell(ski_id, "recording")]

    def recording(self, ski_id: str) -> str | None:
        """What the table names as a ski's recording, "" for nothing, None where there is no such ski."""
        text = self._editor.refresh()
        return text.cell(ski_id, "recording") if ski_id in text.skis else None

    def enter(self, ski_id: str, paths: Sequence[Path]) -> Written:
        """Name a ski's recordings in the table, relative to its folder, in place of those named before.

        Raises:
            LotError: the table cannot be written.
        """
        names = [Path(os.path.relpath(path, self.path.parent)).as_posix() for path in paths]
        return self._write([Change(ski_id, {"recording": ";".join(names)})])

    def add_note(self, ski_id: str, text: str) -> Written:
        """Add to a ski's note.

        Raises:
            LotError: the table cannot be written.
        """
        before = self._editor.refresh().cell(ski_id, "note")
        return self._write([Change(ski_id, {"note": f"{before}; {text}" if before else text})])

    def new_ski(self, ski_id: str) -> NewSki:
        """Questions whose answers put a new ski into the table."""

        def add(answers: Mapping[str, str | float]) -> str:
            told = self._write([Change(ski_id, dict(answers), new=True)])
            self._before = dict(answers)
            return "; ".join((*map(str, told.notes), f"ski {shown(ski_id)} is in the table"))

        return NewSki(ski_id, self.path.parent, add, self._before)

    def judge(self, ski_id: str, analyses: Sequence[Analysis], settings: Settings | None = None) -> Ski:
        """A first verdict, against the ski's own prediction alone.

        Args:
            ski_id: of the table.
            analyses: of its recordings, or of single taps.
            settings: with which they were analysed, and with which to judge; corrections of calibrations are applied.

        Raises:
            LotError: the table cannot be read any more.
        """
        lot = self._lot()
        row = next((row for row in lot.rows if row.ski_id == ski_id), None)
        if row is not None:
            return check_heard(row, self._construction(row), analyses, settings or Settings())
        record = self._editor.seen.skis.get(ski_id)
        line = record.line if record is not None else 0
        why = tuple(str(problem) for problem in lot.problems if problem.subject.line == line) or (
            "its line cannot be read: length, mass, stiffness, span and construction are needed",
        )
        unusable = tuple(message("line-unusable", problem=each) for each in why)
        return Ski(SkiFacts(ski_id, line=line), judgement=Judgement("not judged", unusable))

    def _construction(self, row: SkiFacts) -> Construction | ConstructionError | None:
        if row.construction not in self._constructions:
            self._constructions[row.construction] = construction_of(row.construction, self.path)
        return self._constructions[row.construction]

    def _lot(self) -> Lot:
        data, lot = self._known
        seen = self._editor.refresh().data
        if lot is None or data != seen:
            # A heading alone is a beginning: its skis are entered as they come.
            lot = read_lot(self.path) if self._editor.seen.records else Lot(self.path, (), ())
            self._known = (seen, lot)
        return lot

    def _write(self, changes: Sequence[Change]) -> Written:
        return self._editor.write(changes)
