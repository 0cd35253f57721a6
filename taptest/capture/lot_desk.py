"""A lot while it is being recorded: which skis wait, what is entered, and each ski's first verdict."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from taptest.beam.construction import Construction
from taptest.capture.new_ski import NewSki
from taptest.config.settings import RigUncertainty, Settings
from taptest.core.errors import ConstructionError, shown
from taptest.identify.measured_lot import construction_of
from taptest.screen.check import check_heard
from taptest.screen.verdict import SkiVerdict
from taptest.signal.analysis import Analysis
from taptest.ski.facts import SkiFacts
from taptest.tables.edit import AddRow, Change, LotEditor, SetCell, Written, csv_beside
from taptest.tables.lot import Lot, read_lot


class LotDesk:
    """A csv lot that is read anew whenever it has changed, whoever changed it."""

    def __init__(self, path: Path, *, settings: Settings | None = None, rig: RigUncertainty | None = None) -> None:
        """
        Raises:
            LotError: the table cannot be read, or the csv beside an .xlsx not be written.
        """
        lot, self.notes = csv_beside(path)
        self._editor = LotEditor(lot)
        self._settings, self._rig = settings or Settings(), rig or RigUncertainty()
        self._known: tuple[bytes, Lot | None] = (b"", None)
        self._constructions: dict[str, Construction | ConstructionError] = {}
        self._before: dict[str, str | float] = {}
        self._lot()

    @property
    def path(self) -> Path:
        """The csv that is written to."""
        return self._editor.path

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
        return self._write([SetCell(ski_id, "recording", ";".join(names))])

    def add_note(self, ski_id: str, text: str) -> Written:
        """Add to a ski's note.

        Raises:
            LotError: the table cannot be written.
        """
        before = self._editor.refresh().cell(ski_id, "note")
        return self._write([SetCell(ski_id, "note", f"{before}; {text}" if before else text)])

    def new_ski(self, ski_id: str) -> NewSki:
        """Questions whose answers put a new ski into the table."""

        def add(answers: Mapping[str, str | float]) -> str:
            told = self._write([AddRow(ski_id, dict(answers))])
            self._before = dict(answers)
            return "; ".join((*told.notes, f"ski {shown(ski_id)} is in the table"))

        return NewSki(ski_id, self.path.parent, add, self._before)

    def judge(self, ski_id: str, analyses: Sequence[Analysis]) -> SkiVerdict:
        """A first verdict, against the ski's own prediction alone.

        Raises:
            LotError: the table cannot be read any more.
        """
        lot = self._lot()
        row = next((row for row in lot.rows if row.ski_id == ski_id), None)
        if row is not None:
            return check_heard(row, self._construction(row), analyses, settings=self._settings, rig=self._rig)
        record = self._editor.seen.skis.get(ski_id)
        line = record.first + 1 if record is not None else 0
        why = tuple(str(problem) for problem in lot.problems if problem.line == line) or (
            "its line cannot be read: length, mass, stiffness, span and construction are needed",
        )
        bare = check_heard(_bare_row(ski_id, line), ConstructionError(why[0]), analyses, settings=self._settings)
        return replace(bare, reasons=why)

    def _construction(self, row: SkiFacts) -> Construction | ConstructionError:
        if row.construction not in self._constructions:
            self._constructions[row.construction] = construction_of(row, self.path)
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


def _bare_row(ski_id: str, line: int) -> SkiFacts:
    return SkiFacts(
        ski_id=ski_id,
        pair_id=None,
        side=None,
        construction="",
        generation=None,
        length_m=None,
        mass_kg=None,
        stiffness_n_per_m=None,
        span_m=None,
        rig_centre_m=None,
        balance_m=None,
        binding_mass_kg=0.0,
        binding_m=None,
        temperature_c=None,
        recordings=(),
        note="",
        line=line,
    )
