"""Dated results of calibrations: one readable JSON file each, never overwritten, in a folder of their own.

A file is ``KIND-YYYYMMDDTHHMMSSZ.json``, schema ``taptest.calibration/1``: ``schema``, ``kind``, ``made`` (ISO 8601, UTC),
``software``, ``note``, ``sources`` (files or tables it was made from) and ``values``. What ``check`` takes out of ``values``,
by kind; whatever else stands there is for people and for other programs:

``room``
    ``bands``: list of {``low_hz``, ``high_hz``, ``reverberation_s``, ``reverberation_u_s``}; a band that could not be
    measured has null for a reverberation.
``bar``
    ``clock_factor``: true frequency over measured frequency, or null where a clock error cannot be told from the bar's
    own uncertainty; ``clock_u_rel``, its relative standard uncertainty.
``repeatability``
    ``frequency_u_rel``, ``damping_u_rel``, ``shift_u_rel``: relative standard uncertainties of one measurement of a mode's
    frequency, of its damping, and of what all modes of a ski share; each a number or null.
``drift``
    ``state``: "in" or "out"; ``last``: time of the last reference measurement (ISO 8601, UTC).
``temperature``
    read by ``taptest.calibrate.temperature``.
``construction``
    ``construction``: path or stem of the file that was written; it is used by naming it in a lot table.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, cast, get_args

from taptest.core.errors import CalibrationError, shown
from taptest.core.small_files import read_regular
from taptest.core.version import VERSION

Kind = Literal["bar", "room", "construction", "repeatability", "drift", "temperature"]

SCHEMA = "taptest.calibration/1"
KINDS: tuple[Kind, ...] = get_args(Kind)
FOLDER = "calibrations"
FOLDER_VARIABLE = "TAPTEST_CALIBRATIONS"

_LARGEST_FILE_BYTES = 4 * 1024 * 1024
_MOST_OF_ONE_SECOND = 1000
_PATH_CHARACTERS = 200
_LARGEST_NUMBER = 1e300  # beyond it a whole number of JSON may not fit a float


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
    made = _checked_time(calibration.made).astimezone(UTC)
    try:
        text = json.dumps(_document(replace(calibration, made=made)), indent=2, ensure_ascii=False, allow_nan=False)
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
    return Calibrations(place, tuple(_by_date(items)), tuple(problems))


def load_calibration(path: Path) -> Calibration:
    """One file.

    Raises:
        CalibrationError: it cannot be read, is no calibration, or one of a schema or kind that this version knows nothing of.
    """
    name = shown(path, _PATH_CHARACTERS)
    remedy = "delete it or move it elsewhere"
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            limit = _LARGEST_FILE_BYTES // (1024 * 1024)
            raise CalibrationError(f"{name}: larger than {limit} MB, which no calibration is; {remedy}")
        document = json.loads(read_regular(path), parse_constant=_refuse_constant)
    except OSError as problem:
        raise CalibrationError(f"{name}: cannot be read ({problem.strerror or problem}); {remedy}") from problem
    except (ValueError, RecursionError) as problem:
        raise CalibrationError(f"{name}: is not valid JSON ({shown(problem, 100)}); {remedy}") from problem
    return replace(_calibration(document, name, remedy), file=path.name)


def _by_date(items: Iterable[Calibration]) -> list[Calibration]:
    # Of one second, the one stored later has the higher number at the end of its name.
    return sorted(items, key=lambda each: (each.made, len(each.file), each.file))


def _document(calibration: Calibration) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "kind": calibration.kind,
        "made": calibration.made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "software": calibration.software,
        "note": calibration.note,
        "sources": list(calibration.sources),
        "values": calibration.values,
    }


def _write_new(folder: Path, stem: str, content: bytes) -> Path:
    """Write under a name that nobody has, so that a reader never sees half a file and no older one is lost."""
    handle, temporary = tempfile.mkstemp(prefix=".new-", suffix=".part", dir=folder)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(temporary).chmod(0o644)
        for number in range(1, _MOST_OF_ONE_SECOND):
            path = folder / (f"{stem}.json" if number == 1 else f"{stem}-{number}.json")
            with suppress(FileExistsError):
                # The name is taken first, without overwriting anybody's, and then filled in one step.
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
                Path(temporary).replace(path)
                return path
        raise OSError(None, f"{_MOST_OF_ONE_SECOND} calibrations of the same second")
    finally:
        with suppress(FileNotFoundError):
            Path(temporary).unlink()


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def _calibration(document: object, name: str, remedy: str) -> Calibration:
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        found = document.get("schema") if isinstance(document, dict) else type(document).__name__
        raise CalibrationError(f'{name}: schema is {shown(found)}; it must be "{SCHEMA}"; {remedy}')
    kind = document.get("kind")
    if kind not in KINDS:
        raise CalibrationError(f"{name}: kind is {shown(kind)}; known are {', '.join(KINDS)}; {remedy}")
    values, sources = document.get("values"), document.get("sources", [])
    if not isinstance(values, dict):
        raise CalibrationError(f"{name}: values is {shown(values)}; it must be an object; {remedy}")
    if not isinstance(sources, list) or not all(isinstance(each, str) for each in sources):
        raise CalibrationError(f"{name}: sources is {shown(sources)}; it must be a list of texts; {remedy}")
    try:
        made = _checked_time(datetime.fromisoformat(str(document.get("made")))).astimezone(UTC)
    except (ValueError, OverflowError, CalibrationError) as problem:
        example = "2026-11-02T08:15:00Z"
        raise CalibrationError(
            f"{name}: made is {shown(document.get('made'))}; it must be a time such as {example}; {remedy}"
        ) from problem
    return Calibration(
        kind=cast(Kind, kind),
        made=made,
        values=values,
        sources=tuple(sources),
        note=str(document.get("note", "")),
        software=str(document.get("software", "")),
    )


def _checked_time(made: datetime) -> datetime:
    if made.tzinfo is None:
        raise CalibrationError(f"{made.isoformat()} has no time zone; give one, such as a Z at the end for UTC")
    return made


def finite(values: dict[str, Any], key: str) -> float | None:
    """A number out of a calibration's values; None where it is missing, null or no finite number."""
    value = values.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _LARGEST_NUMBER:
        return None
    return float(value)
