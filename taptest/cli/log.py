"""``taptest log``: what was measured over the seasons, how a ski has changed, and the logbook to and from elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import output
from taptest.cli.options import GivenSettings, Json, LogbookPlace, Operator, Plot, Station, takes_settings

if TYPE_CHECKING:
    from rich.console import RenderableType

app = typer.Typer(rich_markup_mode=None, add_completion=False, no_args_is_help=True)

_TABLES = (".csv", ".tsv", ".txt", ".xlsx")


class Word(StrEnum):
    """A verdict."""

    PASS = "pass"
    RECHECK = "recheck"
    OUTLIER = "outlier"
    NOT_JUDGED = "not judged"


class Format(StrEnum):
    """Of the files in a folder."""

    JSONL = "jsonl"
    CSV = "csv"
    PARQUET = "parquet"


@app.callback()
def log() -> None:
    """The logbook: everything measured, kept with its sounds, never overwritten.

    It is a file of your own unless --logbook or $TAPTEST_LOGBOOK names another one, or a PostgreSQL database that several
    stations share. 'record', 'check' and 'analyse' write to it with --log.
    """


def _documents() -> ModuleType:
    from taptest.present.json import logbook

    return logbook


def _tables() -> ModuleType:
    from taptest.present.text import logbook_table

    return logbook_table


def _upkeep() -> ModuleType:
    from taptest.present.text import upkeep_view

    return upkeep_view


def _answer(json: bool, document: Callable[[], dict[str, object]], view: Callable[[int], RenderableType]) -> None:
    """Print one or the other; a view is as wide as the terminal."""
    if json:
        output.write_json(document())
    else:
        console = output.screen()
        output.show(view(console.width), console)


@app.command("add", short_help="Check lots, analyse recordings, and enter both.")
@takes_settings
def add(
    files: Annotated[
        list[str], typer.Argument(metavar="FILE", help="Lot tables (csv, xlsx) and recordings, in any order.")
    ],
    ski: Annotated[
        str | None, typer.Option(metavar="ID", help="Which ski the recordings are of, if all are of one.")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="When it was measured, as 2026-03-01T14:30; otherwise the files' own dates."),
    ] = None,
    logbook: LogbookPlace = None,
    station: Station = None,
    operator: Operator = None,
    json: Json = False,
    *,
    given: GivenSettings,
) -> None:
    """Check lots and analyse recordings, and enter both; what is in the logbook already stays as it is.

    A file that cannot be read does not stop the others.
    """
    from taptest.cli.log_add import add_files
    from taptest.logbook.waiting import StationLogbook

    when = _time(at)
    with StationLogbook(logbook, station=station, operator=operator) as book:
        tables = [name for name in files if Path(name).suffix.lower() in _TABLES]
        recordings = [name for name in files if name not in tables]
        done = add_files(book, tables, recordings, given, ski=ski, at=when)
        notes, name = (*book.notes, *done.notes), book.place.name
    _answer(
        json,
        lambda: _documents().added_document(done.entered, done.unread),
        lambda width: _tables().added_view(done.entered, name),
    )
    output.finish(done.unread, notes, nothing_read=not done.entered)


@app.command("list", short_help="The skis, the one measured last first.")
def list_(
    find: Annotated[str, typer.Argument(metavar="TEXT", help="Part of the id of a ski or a pair.")] = "",
    verdict: Annotated[Word | None, typer.Option(metavar="WORD", help="Only skis whose last verdict this is.")] = None,
    construction: Annotated[str | None, typer.Option(metavar="NAME", help="Only skis of this construction.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=1_000_000, metavar="N", help="How many at most.")] = 50,
    logbook: LogbookPlace = None,
    json: Json = False,
) -> None:
    """The skis in the logbook with their last verdict, the one measured last first."""
    from taptest.logbook.waiting import open_to_read

    with open_to_read(logbook) as book:
        skis, more = book.skis(find, verdict=verdict, construction=construction, limit=limit)
    _answer(json, lambda: _documents().list_document(skis, more), lambda width: _tables().list_view(skis, more, width))
    output.finish((), book.notes)


@app.command("show", short_help="One ski: its last verdict and what it rests on.")
def show(
    ski: Annotated[str, typer.Argument(metavar="SKI", help="What is written on the ski.")],
    logbook: LogbookPlace = None,
    json: Json = False,
) -> None:
    """One ski: its last verdict with every mode, the sounds and the calibrations that it rests on."""
    from taptest.logbook.waiting import open_to_read

    with open_to_read(logbook) as book:
        page = book.ski(ski)
    _answer(json, lambda: _documents().ski_document(page), lambda width: _tables().ski_view(page, width))
    output.finish((), book.notes)


@app.command("history", short_help="A ski or a pair over time: has it changed, has it gone soft?")
def history(
    ski: Annotated[str, typer.Argument(metavar="SKI", help="What is written on the ski; or a pair, for both of it.")],
    every: Annotated[
        bool, typer.Option("--all", help="Verdicts as well that a later one on the same sounds has replaced.")
    ] = False,
    plot: Plot = False,
    logbook: LogbookPlace = None,
    json: Json = False,
) -> None:
    """Every measurement of a ski against the first one, and whether it has changed by more than it repeats."""
    from taptest.logbook.waiting import open_to_read

    plot = output.for_the_screen(plot, json)
    with open_to_read(logbook) as book:
        found = book.histories(ski, superseded=every)
    _answer(
        json,
        lambda: _documents().histories_document(ski, found),
        lambda width: _tables().histories_view(found, width, plot=plot, dots=output.dots_shown()),
    )
    output.finish((), (*book.notes, *dict.fromkeys(note for each in found for note in each.notes)))


@app.command("verify", short_help="Is everything there and as it was entered? Mends what can be.")
def verify(
    search: Annotated[
        list[str] | None,
        typer.Option(
            "--from", metavar="FOLDER", help="Look there as well for sounds that are missing; may be repeated."
        ),
    ] = None,
    look_only: Annotated[bool, typer.Option("--look-only", help="Mend nothing.")] = False,
    logbook: LogbookPlace = None,
    json: Json = False,
) -> None:
    """Look through the whole logbook: every sound, row and reference. What can be mended is, and nothing is deleted.

    Exit status 1 where something is wrong that could not be mended.
    """
    from taptest.logbook.verify import verify_logbook
    from taptest.logbook.waiting import open_to_read

    with open_to_read(logbook) as book, output.stages("verifying") as stage:
        found = verify_logbook(book, search=search or (), mend=not look_only, progress=stage)
        notes = book.notes
    _answer(json, lambda: _documents().verified_document(found), lambda width: _upkeep().verified_view(found))
    output.finish((), notes, nothing_read=not found.ok)


@app.command("merge", short_help="Take over what another logbook has and this one has not.")
def merge(
    other: Annotated[
        str,
        typer.Argument(metavar="OTHER", help="The other logbook: a file or postgresql://USER@HOST/NAME. Only read."),
    ],
    logbook: LogbookPlace = None,
    json: Json = False,
) -> None:
    """Take over what another logbook has and this one has not, sounds included; nothing is entered twice.

    Where the two say different things of the same, both are kept and named. Interrupted, it goes on where it was when it is
    called again.
    """
    from taptest.logbook.book import open_logbook
    from taptest.logbook.merge import merge_logbooks

    with open_logbook(other, create=False) as source, open_logbook(logbook) as book:
        with output.stages("merging") as stage:
            done = merge_logbooks(book, source, progress=stage)
        notes = (*source.notes, *book.notes)
    _answer(json, lambda: _documents().merged_document(done), lambda width: _upkeep().merged_view(done))
    missing = [f"the sound {name} was not found beside {done.source}" for name in done.sounds_missing]
    output.finish([*done.left_out, *missing], notes)


@app.command("export", short_help="Tables for other programs, or everything, and the sounds.")
def export(
    target: Annotated[
        Path | None,
        typer.Argument(
            metavar="TARGET", help="A .csv, .xlsx, .jsonl or .parquet for one table, or a new folder for everything."
        ),
    ] = None,
    table: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="This table as it is; otherwise the latest figures of every ski."),
    ] = None,
    format_: Annotated[
        Format | None, typer.Option("--format", metavar="WORD", help="Of a folder's files: jsonl, csv or parquet.")
    ] = None,
    recordings: Annotated[Path | None, typer.Option(metavar="DIR", help="Copy all sounds into this folder.")] = None,
    logbook: LogbookPlace = None,
    json: Json = False,
) -> None:
    """Write the logbook for other programs: a sheet with the latest figures of every ski, one table, or everything.

    What is written into a folder 'log import' reads again. No cell of a sheet is ever a formula.
    """
    from taptest.logbook.export import export_folder, export_sheet, export_sounds, export_table
    from taptest.logbook.waiting import open_to_read

    if target is None and recordings is None:
        raise typer.BadParameter("name a file, a folder, or --recordings DIR", param_hint="TARGET")
    one = target is not None and bool(target.suffix) and not target.is_dir()
    if table is not None and not one:
        raise typer.BadParameter("goes into a file: name one, such as modes.csv", param_hint="--table")
    if format_ is not None and (one or target is None):
        raise typer.BadParameter("is of the files in a folder: leave it out, or name a folder", param_hint="--format")
    done = []
    with open_to_read(logbook) as book:
        if target is not None and not one:
            done.append(export_folder(book, target, suffix=f".{format_ or Format.JSONL}"))
        elif target is not None:
            done.append(export_sheet(book, target) if table is None else export_table(book, table, target))
        if recordings is not None:
            done.append(export_sounds(book, recordings))
    _answer(json, lambda: _documents().export_document(done), lambda width: _upkeep().exported_view(done))
    missing = [
        f"{name}: is not in the logbook's folder of sounds; 'taptest log verify' looks what can be done"
        for each in done
        for name in each.missing
    ]
    output.finish(missing, book.notes)


@app.command("import", short_help="Enter what 'log export' wrote, and lot tables.")
@takes_settings
def import_(
    sources: Annotated[
        list[Path],
        typer.Argument(metavar="SOURCE", help="Folders that 'log export' wrote, and lot tables (csv, xlsx)."),
    ],
    recordings: Annotated[
        Path | None, typer.Option(metavar="DIR", help="The folder into which --recordings put the sounds.")
    ] = None,
    logbook: LogbookPlace = None,
    station: Station = None,
    operator: Operator = None,
    json: Json = False,
    *,
    given: GivenSettings,
) -> None:
    """Enter what 'log export' wrote into a folder, and lot tables as 'log add' does; what is there already stays.

    A row comes in with all that belongs to it, or not at all: each that does not is named by file, line and column. Nothing
    is entered twice, so a stopped import is simply started again.
    """
    from taptest.cli.log_add import add_files
    from taptest.core.errors import TaptestError
    from taptest.logbook.book import open_logbook
    from taptest.logbook.importing import import_folder, refuse_sheet
    from taptest.logbook.waiting import StationLogbook

    folders = [each for each in sources if each.is_dir()]
    if recordings is not None and not folders:
        raise typer.BadParameter("goes with a folder that 'log export' wrote", param_hint="--recordings")
    done, unread, lots = [], [], []
    with open_logbook(logbook, station=station, operator=operator) as book:
        for each in sources:
            try:
                if each in folders:
                    done.append(import_folder(book, each, sounds=recordings))
                else:
                    refuse_sheet(each)
                    lots.append(str(each))
            except TaptestError as problem:
                unread.append(str(problem))
        notes, name = book.notes, book.place.name
    entered = []
    if lots:
        with StationLogbook(logbook, station=station, operator=operator) as desk:
            added = add_files(desk, lots, [], given, ski=None, at=None)
            notes = (*dict.fromkeys((*notes, *desk.notes)), *added.notes)
        entered, unread = added.entered, [*unread, *added.unread]
    unread += [problem for each in done for problem in each.left_out]
    _answer(
        json,
        lambda: _documents().import_document(done, entered, unread),
        lambda width: _upkeep().imported_view(done, entered, name),
    )
    output.finish(unread, notes, nothing_read=not (done or entered))


def _time(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise typer.BadParameter(f"'{text}' is no time; write such as 2026-03-01T14:30", param_hint="--at") from None
    if when > datetime.now(UTC):
        raise typer.BadParameter(f"'{text}' lies ahead", param_hint="--at")
    return when
