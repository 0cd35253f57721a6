"""``taptest log``: what was measured over the seasons, and how a ski has changed."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from taptest.cli import log_exchange, output
from taptest.cli.options import GivenSettings, Json, LogbookPlace, Operator, Plot, Station, takes_settings

app = typer.Typer(rich_markup_mode=None, add_completion=False, no_args_is_help=True)

_TABLES = (".csv", ".tsv", ".txt", ".xlsx")

Ski = Annotated[str, typer.Argument(metavar="SKI", help="What is written on the ski.")]


class Word(StrEnum):
    """A verdict."""

    PASS = "pass"
    RECHECK = "recheck"
    OUTLIER = "outlier"
    NOT_JUDGED = "not judged"


@app.callback()
def log() -> None:
    """The logbook: everything measured, kept with its sounds, never overwritten.

    It is a file of your own unless --logbook or $TAPTEST_LOGBOOK names another one, or a PostgreSQL database that several
    stations share. 'record', 'check' and 'analyse' write to it with --log.
    """


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
    tables = [name for name in files if Path(name).suffix.lower() in _TABLES]
    with StationLogbook(logbook, station=station, operator=operator) as book:
        done = add_files(book, tables, [name for name in files if name not in tables], ski=ski, at=when, given=given)
        notes = (*book.notes, *done.notes)
    if json:
        from taptest.present.json.logbook import added_document

        output.write_json(added_document(done.entered, done.unread))
    else:
        from taptest.present.text.logbook_table import added_view

        output.show(added_view(done.entered, book.place.name), output.screen())
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
    if json:
        from taptest.present.json.logbook import list_document

        output.write_json(list_document(skis, more))
    else:
        from taptest.present.text.logbook_table import list_view

        console = output.screen()
        output.show(list_view(skis, more, console.width), console)
    output.finish((), book.notes)


@app.command("show", short_help="One ski: its last verdict and what it rests on.")
def show(ski: Ski, logbook: LogbookPlace = None, json: Json = False) -> None:
    """One ski: its last verdict with every mode, the sounds and the calibrations that it rests on."""
    from taptest.logbook.waiting import open_to_read

    with open_to_read(logbook) as book:
        page = book.ski(ski)
    if json:
        from taptest.present.json.logbook import ski_document

        output.write_json(ski_document(page))
    else:
        from taptest.present.text.logbook_table import ski_view

        console = output.screen()
        output.show(ski_view(page, console.width), console)
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
    if json:
        from taptest.present.json.logbook import histories_document, history_document

        output.write_json(history_document(found[0]) if len(found) == 1 else histories_document(ski, found))
    else:
        from taptest.present.text.logbook_table import histories_view

        console = output.screen()
        output.show(histories_view(found, console.width, plot=plot, dots=output.dots_shown()), console)
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
    if json:
        from taptest.present.json.logbook import verified_document

        output.write_json(verified_document(found))
    else:
        from taptest.present.text.upkeep_view import verified_view

        output.show(verified_view(found), output.screen())
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
    if json:
        from taptest.present.json.logbook import merged_document

        output.write_json(merged_document(done))
    else:
        from taptest.present.text.upkeep_view import merged_view

        output.show(merged_view(done), output.screen())
    missing = [f"the sound {name} was not found beside {done.source}" for name in done.sounds_missing]
    output.finish([*done.left_out, *missing], notes)


app.command("export", short_help="Tables for other programs, or everything, and the sounds.")(log_exchange.export)
app.command("import", short_help="Enter what 'log export' wrote, and lot tables.")(log_exchange.import_)


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
