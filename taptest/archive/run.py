"""An archive worked through: what is known already is left out, and every result is kept as soon as it is there."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

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


@dataclass(frozen=True)
class Known:
    """What was kept of a file as it is now: that it was analysed, or the ``error`` that tells why it was not."""

    error: str | None = None


class Results(Protocol):
    """Where results are kept: a file of lines, a logbook."""

    def known(self, file: SoundFile) -> Known | None:
        """What is kept of the file in its present state, by this version and with these settings; None if nothing is."""
        ...

    def add(self, outcome: Outcome) -> str | None:
        """Keep a result, so that `known` finds it in the next run; why that failed, where the recording is to blame."""
        ...


class Together:
    """Results kept in several places at once: done is what all of them have, or what one says cannot be read."""

    def __init__(self, places: Sequence[Results]) -> None:
        self._places = places

    def known(self, file: SoundFile) -> Known | None:
        """See `Results`."""
        kept = [place.known(file) for place in self._places]
        failed = next((each for each in kept if each is not None and each.error is not None), None)
        return failed or (None if None in kept else Known())

    def add(self, outcome: Outcome) -> str | None:
        """See `Results`."""
        problems = [place.add(outcome) for place in self._places]
        return next((each for each in problems if each is not None), None)


@dataclass(frozen=True)
class ToDo:
    """The files that are ``pending``, how many are ``known``, and what was wrong earlier with files not tried again."""

    pending: tuple[SoundFile, ...]
    known: int
    failures: tuple[str, ...]


@dataclass(frozen=True)
class ArchiveRun:
    """How many recordings were ``analysed`` now and ``known`` before, and of the others what was wrong, now and earlier.

    ``left`` were not come to, as the run was stopped.
    """

    analysed: int
    known: int
    failures: tuple[str, ...]
    failed_before: int
    left: int = 0

    @property
    def recordings(self) -> int:
        """All that were meant."""
        return self.analysed + self.known + len(self.failures) + self.left


def to_do(files: Sequence[SoundFile], results: Results, *, again: bool = False) -> ToDo:
    """What is left to be done; ``again`` also takes the files that could not be read earlier and have not changed."""
    pending, failures, known = [], list[str](), 0
    for file in files:
        kept = results.known(file)
        if kept is None or (again and kept.error is not None):
            pending.append(file)
        elif kept.error is not None:
            failures.append(kept.error)
        else:
            known += 1
    return ToDo(tuple(pending), known, tuple(failures))


def run_archive(
    todo: ToDo,
    results: Results,
    settings: Settings,
    crew: Crew,
    *,
    progress: Callable[[], None] | None = None,
    stopped: Callable[[], bool] | None = None,
) -> ArchiveRun:
    """Analyse what is pending and keep every outcome; a file that cannot be read stops nothing.

    However it ends, what was kept stays kept, and the next run goes on from there.

    Args:
        todo: what `to_do` says.
        results: where outcomes go, in the order in which they come. A file that was not even found leaves nothing there.
        settings: for every recording.
        crew: who does the work, such as `local_crew` or `cluster_crew`.
        progress: called once for every file.
        stopped: asked before each file is begun; once it says so no more are, and those in hand are finished.

    Raises:
        ArchiveError: the crew cannot work, or results cannot be kept.
        LogbookError: the same, where they go into a logbook.
    """
    analysed, failures, begun = 0, list(todo.failures), 0

    def handed_out() -> Iterator[SoundFile]:
        nonlocal begun
        for file in todo.pending:
            if stopped is not None and stopped():
                return
            begun += 1
            yield file

    for outcome in crew(handed_out(), settings) if todo.pending else ():
        not_kept = None if outcome.stamp is None else results.add(outcome)
        problem = outcome.error or not_kept
        if problem is None:
            analysed += 1
        else:
            failures.append(problem)
        if progress is not None:
            progress()
    return ArchiveRun(analysed, todo.known, tuple(failures), len(todo.failures), len(todo.pending) - begun)
