"""``taptest report``: a lot as one page to look at, listen to and hand over."""

from pathlib import Path
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import GivenSettings, takes_settings


@takes_settings
def report(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="Table of skis (csv or xlsx), one line a ski.")],
    to: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FILE", help="Where to; otherwise report.html or sheet.html."),
    ] = None,
    sheet: Annotated[
        str | None, typer.Option(metavar="PAIR", help="One page on this pair alone, for whoever is handed it.")
    ] = None,
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print it to a PDF beside it as well; needs Chromium, Chrome or Edge.")
    ] = False,
    no_audio: Annotated[
        bool, typer.Option("--no-audio", help="Leave the players out; the file is then smaller.")
    ] = False,
    *,
    given: GivenSettings,
) -> None:
    """Check a lot and write one self-contained page: outliers with reasons, pictures, numbers, and sounds.

    The page loads nothing from anywhere: it can be mailed, kept and printed.
    """
    from taptest.core.processes import processes
    from taptest.identify.measured_lot import measure_lot
    from taptest.present.html.files import check_replaceable, find_browser, print_to_pdf
    from taptest.present.html.report import ReportSettings, write_report
    from taptest.present.html.sheet import members_of, write_sheet
    from taptest.tables.lot import read_lot

    given.settings(lot)  # wrong usage before anything is read
    target = to or Path("report.html" if sheet is None else "sheet.html")
    if target.suffix.lower() == ".pdf":
        raise typer.BadParameter("name the page, as in report.html; --pdf prints it beside that", param_hint="--output")
    check_replaceable(target)
    printed = target.with_suffix(".pdf")
    browser = find_browser() if pdf else ""
    if pdf:
        check_replaceable(printed)
    table = read_lot(lot)
    names = tuple(row.construction for row in table.rows)
    settings = given.corrected(lot, names)
    # The same processes listen and draw: their start is a part of the time.
    with processes(output.worker_count(len(table.rows))) as pool:
        with output.progress("checking", len(table.rows)) as advance:
            measured = measure_lot(
                table,
                settings,
                progress=lambda done, total, ski_id: advance(),
                workers=pool or 1,
                keep_analyses=sheet is None,
            )
        how = ReportSettings(audio=not no_audio, pool=pool)
        if sheet is not None:
            members_of(measured, sheet)
            write_sheet(target, measured, sheet, how)
        else:
            with output.progress("drawing", len(measured.skis)) as advance:
                write_report(target, measured, how, progress=advance)
    if pdf:
        print_to_pdf(target, printed, browser)
    typer.echo(f"{_size(target)}{f', {_size(printed)}' if pdf else ''}")
    problems = [*map(str, measured.lot.problems), *map(str, measured.unread)]
    output.finish(
        problems, (*map(str, measured.lot.notes), *measured.settings.corrections.notes), nothing_read=not measured.skis
    )


def _size(path: Path) -> str:
    from taptest.core.errors import shown

    size = path.stat().st_size
    figure = f"{size / 1e3:.0f} kB" if size < 1e6 else f"{size / 1e6:.1f} MB"
    return f"{shown(path, 200)} ({figure})"
