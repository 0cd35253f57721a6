"""Where results, messages and progress go, and how a failure ends: the same for every command."""

from __future__ import annotations

import codecs
import json
import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from taptest.core.errors import TaptestError, shown

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from taptest.config.settings import Settings
    from taptest.core.results import Result
    from taptest.io.series import Reading

FAILED = 1
OUTLIERS_FOUND = 3
PARTLY_UNREAD = 4
INTERRUPTED = 130  # 128 + SIGINT, as shells have it
DEBUG = "TAPTEST_DEBUG"

_MESSAGE_CHARACTERS = 2_000
_NARROWEST, _WIDEST = 60, 200
_SPELT_OUT = {"±": "+-", "…": "...", "°": "deg ", "²": "2", "³": "3", "–": "-"}


def prepare_process() -> None:
    """Make the output safe and the arithmetic quick; before numpy is imported.

    No character stops the output: what a stream's encoding lacks is spelt out or shown as its escape. Linear algebra
    runs in one thread: its matrices are small, and threads that wait for each other cost several times what they save.
    """
    for library in ("OPENBLAS", "OMP", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    codecs.register_error("taptest", _spell_out)
    if sys.stdout is None:  # closed, as by ">&-": nobody wants to see it, which is no failure
        sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 (for as long as the process runs)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="taptest")


def _spell_out(error: UnicodeError) -> tuple[str | bytes, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    parts = [
        _SPELT_OUT.get(character) or character.encode("ascii", "backslashreplace").decode("ascii")
        for character in error.object[error.start : error.end]
    ]
    return "".join(parts), error.end


def screen() -> Console:
    """Standard output for tables: NO_COLOR and COLUMNS are honoured, nothing in a text is taken for markup."""
    from rich.console import Console

    console = Console(highlight=False, markup=False, emoji=False)
    console.width = min(max(console.width, _NARROWEST), _WIDEST)
    return console


def for_the_screen(wanted: bool, json_wanted: bool) -> bool:
    """Whether to draw; wrong usage together with JSON, which has no room for pictures."""
    if wanted and json_wanted:
        raise typer.BadParameter("pictures are for the screen: leave out --plot or --json", param_hint="--plot")
    return wanted


def dots_shown() -> bool:
    """Whether standard output can carry braille dots, of which finer pictures are made."""
    from taptest.present.text.characters import shows_dots

    return shows_dots(sys.stdout.encoding)


def check_picture(picture: Path | None) -> None:
    """Refuse a name to which no picture can be written, before anything is worked out."""
    if picture is not None:
        from taptest.present.plots.picture import check_picture_name

        check_picture_name(picture)


def show(view: RenderableType, console: Console) -> None:
    """Print a view without the blanks that pad its lines, which only get in the way of copying and comparing."""
    if console.legacy_windows:
        console.print(view, crop=False)
        return
    with console.capture() as captured:
        console.print(view, crop=False)
    # Not echo(): that writes UTF-8 to a stream which says that it is ASCII.
    sys.stdout.write(re.sub(r" +((?:\x1b\[[0-9;]*m)*)$", r"\1", captured.get(), flags=re.MULTILINE))
    sys.stdout.flush()


def present(result: Result, *, as_json: bool) -> None:
    """Print a result as its document, or as the screen shows it."""
    if as_json:
        write_json(result.to_dict())
        return
    from taptest.present.faces import face_of

    console = screen()
    show(face_of(result).renderable(result, console.width), console)


def write_json(document: dict[str, object]) -> None:
    """Print a document as plain ASCII, which is UTF-8 whatever the stream's encoding."""
    typer.echo(json.dumps(document, indent=2, allow_nan=False))


def say(message: str) -> None:
    """One printable line on standard output, at once."""
    sys.stdout.write(f"{shown(message, _MESSAGE_CHARACTERS)}\n")
    sys.stdout.flush()


def complain(message: str) -> None:
    """One printable line on standard error."""
    sys.stderr.write(f"taptest: {shown(message, _MESSAGE_CHARACTERS)}\n")


def finish(
    unread: Sequence[str], notes: Sequence[str] = (), *, nothing_read: bool = False, outliers: bool = False
) -> None:
    """Name what could not be read on standard error, after the results, and end with the status that says so."""
    sys.stdout.flush()
    for note in notes:
        complain(f"note: {note}")
    for message in unread:
        complain(message)
    if nothing_read:
        raise typer.Exit(FAILED)
    if outliers:
        raise typer.Exit(OUTLIERS_FOUND)
    if unread:
        raise typer.Exit(PARTLY_UNREAD)


@contextmanager
def progress(what: str, total: int, *, wanted: bool = True, rate: bool = False) -> Iterator[Callable[[], None]]:
    """A bar on standard error while something is counted up to ``total``, on request with its rate; only on a terminal."""
    if not wanted or total < 2 or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, ProgressColumn, TextColumn, TimeRemainingColumn

    console = Console(stderr=True, highlight=False, markup=False, emoji=False)
    columns: list[ProgressColumn] = [TextColumn(what), BarColumn(30 if rate else 40), MofNCompleteColumn()]
    columns.append(TextColumn("{task.fields[rate]}") if rate else TimeRemainingColumn())
    started = time.monotonic()
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=total, rate="")
        done = 0

        def advance() -> None:
            nonlocal done
            done += 1
            each_s = (time.monotonic() - started) / done
            left = timedelta(seconds=round(each_s * (total - done)))
            bar.update(task, advance=1, rate=f"{60 / max(each_s, 1e-3):.0f} a minute, {left} left")

        yield advance


@contextmanager
def stages(what: str) -> Iterator[Callable[[str], None]]:
    """A line on standard error that says what is being worked on; only on a terminal."""
    if not sys.stderr.isatty():
        yield lambda stage: None
        return
    from rich.console import Console

    with Console(stderr=True, highlight=False, markup=False, emoji=False).status(what) as status:
        yield lambda stage: status.update(f"{what}: {stage}")


@contextmanager
def failures_as_exit_status() -> Iterator[None]:
    """Turn every exception into one line on standard error and an exit status.

    Those of the command line itself (wrong usage, exit) carry their own status and pass.
    """
    try:
        yield
    except TaptestError as refused:
        complain(str(refused))
        raise SystemExit(FAILED) from None
    except KeyboardInterrupt:
        complain("stopped")
        raise SystemExit(INTERRUPTED) from None
    except BrokenPipeError:
        # The reader has gone, as in "| head": nobody is left to tell.
        _abandon_output()
        raise SystemExit(FAILED) from None
    except OSError as refused:
        if os.environ.get(DEBUG) == "1":
            raise
        _abandon_output()
        complain(f"the system refused: {refused}; check the disk space and the permissions")
        raise SystemExit(FAILED) from None
    except Exception as unexpected:
        if isinstance(unexpected, typer.Abort) or hasattr(unexpected, "exit_code") or os.environ.get(DEBUG) == "1":
            raise
        what = f"internal error: {type(unexpected).__name__}: {unexpected}"
        complain(f"{what}; please report it, with what {DEBUG}=1 shows")
        raise SystemExit(FAILED) from None


def _abandon_output() -> None:
    """What is still buffered would fail once more when it is flushed at the end of the process."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def worker_count(recordings: int) -> int:
    """Processes worth starting: their start costs about as much as ten recordings take."""
    return max(1, min(os.cpu_count() or 1, recordings // 5))


def settings_from(
    low_hz: float, high_hz: float, room_s: float | None, channel: int | None, calibrations: str | None = None
) -> Settings:
    """The options that say what to listen for, or wrong usage."""
    from taptest.config.settings import Settings
    from taptest.core.errors import SettingsError

    try:
        return Settings(low_hz=low_hz, high_hz=high_hz, room_s=room_s, channel=channel, calibrations=calibrations)
    except SettingsError as refused:
        options = {"low_hz": "--low / --high", "room_s": "--room", "channel": "--channel"}
        raise typer.BadParameter(str(refused), param_hint=options[refused.setting]) from None


def reading_from(sample_rate_hz: float | None, sensitivity: str | None) -> Reading | None:
    """The options that say how to read a pickup's file, or wrong usage."""
    from taptest.core.errors import RecordingError
    from taptest.io.series import Reading, Sensitivity

    try:
        meaning = None if sensitivity is None else Sensitivity.parse(sensitivity)
    except RecordingError as refused:
        raise typer.BadParameter(str(refused), param_hint="--sensitivity") from None
    try:
        return Reading(sample_rate_hz, meaning) if sample_rate_hz is not None or meaning is not None else None
    except RecordingError as refused:
        raise typer.BadParameter(str(refused), param_hint="--sample-rate") from None
