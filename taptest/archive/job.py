"""The work on one recording, as it is done in any process on any machine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from taptest.archive.files import FileStamp, SoundFile, stamp_of
from taptest.config.limits import named_limits
from taptest.config.settings import Settings
from taptest.core.errors import RecordingError, shown
from taptest.core.version import VERSION
from taptest.io.recording import read_recording
from taptest.signal.analysis import Analysis, analyse
from taptest.signal.identity import sound_sha256


@dataclass(frozen=True)
class Outcome:
    """What became of one recording: its ``analysis``, or the ``error`` that tells why there is none.

    ``software`` is the version that did it and ``settings`` are those it was done with; ``stamp`` is the state of the file
    before it was read, None where the file was not even found; ``sound_sha256`` identifies the decoded samples.
    """

    file: SoundFile
    settings: Settings
    software: str = VERSION
    stamp: FileStamp | None = None
    sound_sha256: str | None = None
    analysis: Analysis | None = None
    error: str | None = None


Crew = Callable[[Iterable[SoundFile], Settings], Iterator[Outcome]]
"""Whoever does the work: outcomes of files, in the order in which they are done; files are taken as they are needed."""


def analyse_file(file: SoundFile, settings: Settings) -> Outcome:
    """Read and analyse one file; whatever goes wrong with it is in the outcome."""
    outcome = stamped(Outcome(file, settings))
    try:
        recording = read_recording(file.path)
        identity = sound_sha256(recording)
        analysis = analyse(replace(recording, path=file.name), settings)
    except RecordingError as refused:
        return replace(outcome, error=str(refused))
    except MemoryError:
        return lost(outcome, "does not fit into memory; cut it into shorter recordings")
    except Exception as unexpected:  # one recording that nobody thought of must not cost a night's work
        what = shown(f"internal error: {type(unexpected).__name__}: {unexpected}", 300)
        return lost(outcome, f"{what}; please report it, with the recording")
    return replace(outcome, sound_sha256=identity, analysis=analysis)


def listening_document(settings: Settings) -> dict[str, object]:
    """How recordings are analysed, as far as it makes a difference to the result."""
    room = settings.room_decay
    changed = {each.name: each.value for each in named_limits(settings.limits) if each.value != each.default}
    return {
        "low_hz": settings.low_hz,
        "high_hz": settings.high_hz,
        "channel": settings.channel,
        "room": room and {"frequencies_hz": list(room.frequencies_hz), "reverberation_s": list(room.reverberation_s)},
        "rings_on": settings.rings_on,
        **({"limits": changed} if changed else {}),
    }


def stamped(outcome: Outcome) -> Outcome:
    """The outcome with the present state of its file, if there is one."""
    try:
        return replace(outcome, stamp=stamp_of(outcome.file.path, with_contents=True))
    except OSError:  # reading it says better what is wrong
        return outcome


def lost(outcome: Outcome, why: str) -> Outcome:
    """The outcome of a file of which nothing more is known than why there is no result."""
    return replace(outcome, error=f"{shown(outcome.file.name, 200)}: {why}")


def in_order(outcomes: Iterable[Outcome], files: Sequence[SoundFile]) -> Iterator[Outcome]:
    """Outcomes in the order of the files; those that come too early are held back."""
    early: dict[SoundFile, Outcome] = {}
    turn = iter(files)
    due = next(turn, None)
    for outcome in outcomes:
        early[outcome.file] = outcome
        while due is not None and due in early:
            yield early.pop(due)
            due = next(turn, None)
