"""``taptest report``: a lot as one page to look at, listen to and hand over."""

from pathlib import Path
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import Channel, High, Low, Room


def report(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="Table of skis (csv or xlsx), one line a ski.")],
    to: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE", help="Where to; report.html when left out.")
    ] = Path("report.html"),
    no_audio: Annotated[
        bool, typer.Option("--no-audio", help="Leave the players out; the file is then smaller.")
    ] = False,
    low: Low = 15.0,
    high: High = 1500.0,
    room: Room = None,
    channel: Channel = None,
) -> None:
    """Check a lot and write one self-contained page: what to set aside and why, pictures, numbers, and sounds."""
    from taptest.judge.lot import read_lot
    from taptest.judge.measured_lot import measure_lot
    from taptest.show.report import ReportSettings, check_replaceable, write_report

    settings = output.settings_from(low, high, room, channel)
    table = read_lot(lot)
    check_replaceable(to)
    workers = output.worker_count(len(table.rows))
    with output.progress("checking", len(table.rows)) as advance:
        measured = measure_lot(
            table,
            settings=settings,
            progress=lambda done, total, ski_id: advance(),
            workers=workers,
            keep_analyses=True,
        )
    how = ReportSettings(settings, audio=not no_audio, workers=workers)
    with output.progress("drawing", len(table.rows)) as advance:
        result = write_report(to, measured, how, progress=advance)
    output.finish([*map(str, result.problems), *result.unread], result.notes, nothing_read=not result.skis)
