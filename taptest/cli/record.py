"""``taptest record``: tap, and every good tap is kept, counted and entered."""

from pathlib import Path
from typing import Annotated

import typer

from taptest.cli import keeping
from taptest.cli.options import GivenSettings, Json, Log, LogbookPlace, takes_settings


@takes_settings
def record(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="Table of skis (csv or xlsx), one line a ski.")],
    ski: Annotated[
        str | None, typer.Option(metavar="ID", help="Only this ski; otherwise all without a recording.")
    ] = None,
    taps: Annotated[int, typer.Option(min=1, max=100, metavar="N", help="Good taps of each ski.")] = 5,
    device: Annotated[
        str | None, typer.Option(metavar="NAME", help="Microphone, by number or part of its name; see taptest devices.")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="No sounds for good, repeat and done.")] = False,
    source: Annotated[
        str | None, typer.Option("--from", metavar="FILE", help="Replay a sound file as if it were the microphone.")
    ] = None,
    fast: Annotated[bool, typer.Option("--fast", help="With --from: as fast as it can be worked on.")] = False,
    json: Json = False,
    *,
    given: GivenSettings,
    log: Log = False,
    logbook: LogbookPlace = None,
) -> None:
    """Listen while skis are tapped: keep every good tap, say at once why another is not, and enter it in the table.

    Only the taps are kept, from a second before each until it has rung out. Keys, each followed by Enter: r repeat, d
    drop the last tap, s skip, n note, q quit; the id of a ski, typed or scanned, takes that one.
    """
    from taptest.capture.lot_table import LotTable
    from taptest.cli.station import Options, run_station

    given.settings(lot)  # wrong usage before anything is read
    if fast and source is None:
        raise typer.BadParameter("goes with --from FILE only: a microphone cannot be hurried", param_hint="--fast")
    if device is not None and source is not None:
        raise typer.BadParameter("leave one of them out", param_hint="--device / --from")
    kept = keeping.wanted(log, logbook)
    table = LotTable(Path(lot))
    settings = given.corrected(lot, table.constructions)
    run_station(table, Options(ski, taps, device, quiet, source, fast, json, settings, log=kept, logbook=logbook))
