"""Dated results of calibrations: one readable JSON file each, never overwritten, in a folder of their own.

A file is ``KIND-YYYYMMDDTHHMMSSZ.json``, schema ``taptest.calibration/1``: ``schema``, ``kind``, ``made`` (ISO 8601, UTC),
``software``, ``note``, ``sources`` (files or tables it was made from) and ``values``. What is taken out of ``values`` is declared
kind by kind in `taptest.calibrate.values`; whatever else stands there is for people and for other programs.
"""

from __future__ import annotations

import json
import os
import uuid
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta

from taptest.core.documents import DocumentFormat
from taptest.core.durable import sync_folder, write_durably
from taptest.core.errors import CalibrationError, shown
from taptest.core.version import VERSION

Kind = Literal["bar", "room", "construction", "repeatability", "drift", "temperature"]

SCHEMA = "taptest.calibration/1"
KINDS: tuple[Kind, ...] = get_args(Kind)
FOLDER = "calibrations"
FOLDER_VARIABLE = "TAPTEST_CALIBRATIONS"

_MOST_OF_ONE_SECOND = 1000
_PATH_CHARACTERS = 200


class _File(msgspec.Struct, frozen=True):
    schema: Literal["taptest.calibration/1"]
    kind: Kind
    made: Annotated[datetime, Meta(tz=True)]
    values: dict[str, Any]
    software: str = ""
    note: str = ""
    sources: tuple[str, ...] = ()


_FILES = DocumentFormat("calibration", _File, CalibrationError, 4 << 20, "JSON", "delete it or move it elsewhere")


@dataclass(frozen=True)
class Calibration:
    """One result: ``made`` with a time zone, ``values`` as JSON has them, ``file`` its name once it is stored."""

    kind: Kind
    made: datetime
    values: dict[str, Any]
    sources: tuple[str, ...] = ()
    note: str = ""
    software: str = f"taptest {VERSION}"
    file: str = ""

    def age_days(self, now: datetime) -> float:
        """Days since it was made; negative when its date lies ahead."""
        return (now - self.made).total_seconds() / 86_400


@dataclass(frozen=True)
class Calibrations:
    """Everything read from a folder, the oldest first; ``problems`` name the files that could not be used, and why."""

    folder: Path
    items: tuple[Calibration, ...] = ()
    problems: tuple[str, ...] = field(default=())

    def all(self, kind: Kind) -> tuple[Calibration, ...]:
        """Those of one kind, the oldest first."""
        return tuple(each for each in self.items if each.kind == kind)

    def latest(self, kind: Kind) -> Calibration | None:
        """The newest of one kind."""
        found = self.all(kind)
        return found[-1] if found else None


def calibration_folder(given: str | None, *, beside: Path | None = None) -> Path:
    """Where calibrations are: as given, else ``$TAPTEST_CALIBRATIONS``, else ``calibrations`` beside a file or here.

    Args:
        given: what the user asked for.
        beside: a file, such as a lot table, whose folder is where to look.
    """
    chosen = given or os.environ.get(FOLDER_VARIABLE)
    if chosen:
        return Path(chosen)
    return (Path() if beside is None else beside.parent) / FOLDER


def is_chosen(given: str | None) -> bool:
    """Whether the user named a folder, so that a missing one is a mistake."""
    return bool(given or os.environ.get(FOLDER_VARIABLE))


def save_calibration(folder: str | Path, calibration: Calibration) -> Path:
    """Write a new file and return its path; the folder is made, and nothing that is there is touched.

    Raises:
        CalibrationError: the folder or the file cannot be written, or a value is no number that JSON has.
    """
    if calibration.made.tzinfo is None:
        raise CalibrationError(f"{calibration.made.isoformat()} has no time zone; give one, such as UTC")
    made = calibration.made.astimezone(UTC)
    document = {
        "schema": SCHEMA,
        "kind": calibration.kind,
        "made": made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "software": calibration.software,
        "note": calibration.note,
        "sources": list(calibration.sources),
        "values": calibration.values,
    }
    try:
        text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as problem:
        raise CalibrationError(
            f"a calibration of kind {shown(calibration.kind)} holds a value that cannot be stored ({problem}): "
            "numbers must be finite, unknown ones null"
        ) from problem
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        return _write_new(target, f"{calibration.kind}-{made:%Y%m%dT%H%M%SZ}", f"{text}\n".encode())
    except OSError as problem:
        raise CalibrationError(
            f"{shown(target, _PATH_CHARACTERS)}: a calibration cannot be written there "
            f"({problem.strerror or problem}); choose another folder with --calibrations"
        ) from problem


def load_calibrations(folder: str | Path, *, must_exist: bool = False) -> Calibrations:
    """Every calibration in a folder; a file that cannot be used is named in ``problems`` and skipped.

    Without the folder there is none, unless it ``must_exist``.

    Raises:
        CalibrationError: the folder is missing although it must exist, is no folder, or cannot be listed.
    """
    place = Path(folder)
    where = shown(place, _PATH_CHARACTERS)
    try:
        names = sorted(entry.name for entry in place.iterdir() if entry.suffix.lower() == ".json")
    except FileNotFoundError:
        if must_exist:
            raise CalibrationError(
                f"{where}: there is no such folder of calibrations; make one with 'taptest calibrate', or leave "
                f"--calibrations and {FOLDER_VARIABLE} out"
            ) from None
        return Calibrations(place)
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise CalibrationError(
            f"{where}: cannot be read as a folder of calibrations ({reason}); name the folder that holds them"
        ) from problem
    items: list[Calibration] = []
    problems = []
    for name in names:
        try:
            items.append(load_calibration(place / name))
        except CalibrationError as problem:
            problems.append(str(problem))
    # Of one second, the one stored later has the higher number at the end of its name.
    items.sort(key=lambda each: (each.made, len(each.file), each.file))
    return Calibrations(place, tuple(items), tuple(problems))


def load_calibration(path: Path) -> Calibration:
    """One file.

    Raises:
        CalibrationError: it cannot be read, is no calibration, or one of a schema or kind that this version knows nothing of.
    """
    found = _FILES.read(path)
    try:
        made = found.made.astimezone(UTC)
    except OverflowError:
        raise _FILES.fault(
            shown(path, _PATH_CHARACTERS), "made", str(found.made), "must lie between years 1 and 9999"
        ) from None
    return Calibration(found.kind, made, found.values, found.sources, found.note, found.software, path.name)


def _write_new(folder: Path, stem: str, content: bytes) -> Path:
    """Write under a name that nobody has, so that a reader never sees half a file and no older one is lost."""
    temporary = folder / f".new-{uuid.uuid4().hex}"
    try:
        write_durably(temporary, content)
        for number in range(1, _MOST_OF_ONE_SECOND):
            path = folder / (f"{stem}.json" if number == 1 else f"{stem}-{number}.json")
            with suppress(FileExistsError):
                # The name is taken first, without overwriting anybody's, and then filled in one step.
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
                temporary.replace(path)
                sync_folder(folder)
                return path
        raise OSError(None, f"{_MOST_OF_ONE_SECOND} calibrations of the same second")
    finally:
        temporary.unlink(missing_ok=True)
