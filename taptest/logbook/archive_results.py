"""An archive's results into the logbook, each as soon as it is there: the other `Results` beside a file of lines."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import select

from taptest.archive.files import SoundFile
from taptest.archive.run import Known, Outcome
from taptest.config.settings import Settings
from taptest.core.errors import RecordingError, shown
from taptest.io.recording import read_recording
from taptest.logbook.book import Logbook
from taptest.logbook.engine import SOFTWARE
from taptest.logbook.rows import file_id, settings_text
from taptest.logbook.schema import ANALYSES, FILES
from taptest.signal.identity import sound_sha256


class LoggedResults:
    """Keeps the results of an archive in an open logbook; see `taptest.archive.run.Results`.

    A file is known by station, path, size and time of its last change, without being read. Why a file could not be read is
    not kept, so it is tried again in the next run.
    """

    def __init__(self, book: Logbook, settings: Settings) -> None:
        """Ask once which files are known.

        Args:
            book: where results go; it stays open.
            settings: those with which recordings are analysed now. What was done with others does not count as done.

        Raises:
            LogbookError: the logbook cannot be read.
        """
        self._book, self._settings = book, settings
        done = (
            select(FILES.c.id)
            .join(ANALYSES, ANALYSES.c.recording == FILES.c.recording)
            .where(ANALYSES.c.settings_json == settings_text(settings), ANALYSES.c.software == SOFTWARE)
        )
        self._files = book.database.read(lambda connection: set(connection.scalars(done)))

    def known(self, file: SoundFile) -> Known | None:
        """Whether the file as it is now was analysed."""
        own = file_id(self._book.station, Path(file.path))
        return Known() if own is not None and own in self._files else None

    def add(self, outcome: Outcome) -> str | None:
        """Keep the sound and what was heard in it, both on the disk on return; why not, where the file is to blame.

        What has no result leaves nothing. The samples stayed with whoever analysed them, so the file is read once more.

        Raises:
            LogbookError: the logbook cannot be written.
        """
        if outcome.analysis is None:
            return None
        try:
            recording = read_recording(Path(outcome.file.path))
        except RecordingError as refused:
            return str(refused)
        if sound_sha256(recording) != outcome.sound_sha256:
            return f"{shown(outcome.file.name, 200)}: has changed while it was analysed; start again when it is whole"
        self._book.add_analysis(recording, outcome.analysis, self._settings)
        return None
