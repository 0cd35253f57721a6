"""``taptest log export`` and ``taptest log import``: the logbook to and from files of other programs."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import CalibrationFolder, GivenSettings, Json, LogbookPlace, Operator, Station


class Format(StrEnum):
    """Of the files in a folder."""

    JSONL = "jsonl"
    CSV = "csv"
    PARQUET = "parquet"


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
        if target is not None:
            if not one:
                done.append(export_folder(book, target, suffix=f".{format_ or Format.JSONL}"))
            elif table is None:
                done.append(export_sheet(book, target))
            else:
                done.append(export_table(book, table, target))
        if recordings is not None:
            done.append(export_sounds(book, recordings))
    if json:
        from taptest.present.json.logbook import export_document

        output.write_json(export_document(done))
    else:
        from taptest.present.text.upkeep_view import export_words

        for line in export_words(done):
            output.say(line)
    missing = [
        f"{name}: is not in the logbook's folder of sounds; 'taptest log verify' looks what can be done"
        for each in done
        for name in each.missing
    ]
    output.finish(missing, book.notes)


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
    calibration_folder: CalibrationFolder = None,
    json: Json = False,
) -> None:
    """Enter what 'log export' wrote into a folder, and lot tables as 'log add' does; what is there already stays.

    A row comes in with all that belongs to it, or not at all: each that does not is named by file, line and column. Nothing
    is entered twice, so a stopped import is simply started again.
    """
    from taptest.cli.log_add import Done, add_files
    from taptest.core.errors import TaptestError
    from taptest.logbook.book import open_logbook
    from taptest.logbook.importing import import_folder, refuse_sheet
    from taptest.logbook.waiting import StationLogbook

    folders = [each for each in sources if each.is_dir()]
    tables = [each for each in sources if not each.is_dir()]
    if recordings is not None and not folders:
        raise typer.BadParameter("goes with a folder that 'log export' wrote", param_hint="--recordings")
    done, unread, lots = [], [], []
    for each in tables:
        try:
            refuse_sheet(each)
            lots.append(str(each))
        except TaptestError as problem:
            unread.append(str(problem))
    with open_logbook(logbook, station=station, operator=operator) as book:
        notes = book.notes
        for folder in folders:
            try:
                done.append(import_folder(book, folder, sounds=recordings))
            except TaptestError as problem:
                unread.append(str(problem))
    added = Done()
    if lots:
        with StationLogbook(logbook, station=station, operator=operator) as desk:
            added = add_files(desk, lots, [], ski=None, at=None, given=GivenSettings(calibrations=calibration_folder))
            notes = (*dict.fromkeys((*notes, *desk.notes)), *added.notes)
    unread += [problem for each in done for problem in each.left_out] + added.unread
    if json:
        from taptest.present.json.logbook import import_document

        output.write_json(import_document(done, added.entered, unread))
    else:
        from taptest.present.text.upkeep_view import import_words

        for line in import_words(done, added.entered, book.place.name):
            output.say(line)
    output.finish(unread, notes, nothing_read=not (done or added.entered))
