"""How every command that calibrates ends: its result is stored, and shown as JSON or tables and as a picture."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.cli import output

if TYPE_CHECKING:
    from taptest.calibrate.store import Kind


def chosen(folder: str | None) -> str | None:
    """The folder of calibrations that is asked for, by option or by the user's own taptest.toml; None for the usual places."""
    from taptest.cli.options import GivenSettings

    return GivenSettings(calibrations=folder).settings().calibrations


def store(kind: Kind, result: object, sources: Iterable[str], folder: str | None) -> Path:
    """Keep a result as a calibration made now, and return its file."""
    from datetime import UTC, datetime

    from taptest.calibrate.store import Calibration, calibration_folder, save_calibration
    from taptest.present.json.calibrations import stored_values

    made = Calibration(kind, datetime.now(UTC), stored_values(kind, result), tuple(sources))
    return save_calibration(calibration_folder(chosen(folder)), made)


@dataclass(frozen=True)
class Shown:
    """How a result is asked for: as JSON or as tables, and into which picture.

    The picture's name is checked before anything is measured.
    """

    json: bool
    picture: Path | None = None

    def __post_init__(self) -> None:
        output.check_picture(self.picture)

    def show(self, kind: str, result: object, stored: Path | None = None, *, where: str = "") -> None:
        """Print a result, and draw it if asked to; ``where`` is said of its place if it was not ``stored``."""
        if self.json:
            from taptest.present.json.calibrations import document

            output.write_json(document(kind, result, stored))
        else:
            from taptest.present.text.calibrations import view

            console = output.screen()
            output.show(view(kind, result, where if stored is None else str(stored), console.width), console)
        if self.picture is not None:
            from taptest.present.plots.calibrations import DRAWINGS
            from taptest.present.plots.picture import save_picture

            save_picture(self.picture, lambda: DRAWINGS[kind](result))

    def keep(self, kind: Kind, result: object, sources: Iterable[str], folder: str | None, *, no_store: bool) -> None:
        """Store a result unless that is not wanted, and show it."""
        stored = None if no_store else store(kind, result, sources, folder)
        self.show(kind, result, stored, where="nothing, as asked")
