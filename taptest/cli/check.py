"""``taptest check``: a lot against its predictions and against itself."""

from enum import StrEnum
from typing import Annotated

import typer

from taptest.cli import keeping, output
from taptest.cli.options import GivenSettings, Json, Log, LogbookPlace, Plot, takes_settings


class FailOn(StrEnum):
    """Verdict that makes the exit status 3."""

    OUTLIER = "outlier"


@takes_settings
def check(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="Table of skis (csv or xlsx), one line a ski.")],
    json: Json = False,
    plot: Plot = False,
    fail_on: Annotated[
        FailOn | None, typer.Option(metavar="outlier", help="End with exit status 3 when there is an outlier.")
    ] = None,
    explain: Annotated[
        str | None,
        typer.Option(
            metavar="ID", help="Explain the verdict on one ski, with all figures; only its kind is listened to."
        ),
    ] = None,
    *,
    given: GivenSettings,
    log: Log = False,
    logbook: LogbookPlace = None,
) -> None:
    """Judge every ski of a lot: does it ring as its stiffness and mass say, and like the others of its kind?

    Verdicts are pass, recheck, outlier and not judged, each with its reasons. A bad cell or recording is named and
    costs its own ski only.
    """
    from taptest.identify.measured_lot import measure_lot
    from taptest.screen.check import check_measured
    from taptest.screen.explain import explain as explain_ski
    from taptest.screen.explain import same_kind
    from taptest.tables.lot import read_lot

    kept = keeping.wanted(log, logbook, unless=explain is not None, why="--explain")
    given.settings(lot)  # wrong usage before anything is read
    plot = output.for_the_screen(plot, json)
    table = read_lot(lot)
    if explain is not None:
        table = same_kind(table, explain)
    settings = given.corrected(lot, tuple(row.construction for row in table.rows))
    with output.progress("checking", len(table.rows)) as advance:
        measured = measure_lot(
            table,
            settings,
            progress=lambda done, total, ski_id: advance(),
            workers=output.worker_count(len(table.rows)),
            keep_analyses=kept,
            keep=keeping.sound_store(logbook) if kept else None,
        )
    result = check_measured(measured)
    explained = None if explain is None else explain_ski(result, explain)
    if json:
        from taptest.present.json.documents import check_document

        output.write_json(check_document(result, explained))
    else:
        from taptest.present.text.explanation import explanation_view
        from taptest.present.text.verdict_table import check_view

        console = output.screen()
        if plot and explained is None:
            from taptest.present.text.character_pictures import ladders_view

            output.show(ladders_view(result, console.width, dots=output.dots_shown()), console)
        view = check_view(result, console.width) if explained is None else explanation_view(explained, console)
        output.show(view, console)
    told = keeping.keep_check(result, logbook) if kept else ()
    output.finish(
        [*map(str, result.problems), *map(str, result.unread)],
        (*map(str, result.notes), *told),
        nothing_read=not result.skis,
        outliers=fail_on is FailOn.OUTLIER and result.count("outlier") > 0,
    )
