"""``taptest relate``: what is known of the skis against their results on snow."""

from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import GivenSettings, Json, Picture, takes_settings


@takes_settings
def relate(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="Table of skis (csv or xlsx), one line a ski.")],
    results: Annotated[str, typer.Argument(metavar="RESULTS", help="Table of runs on snow, one line a run.")],
    json: Json = False,
    picture: Picture = None,
    *,
    given: GivenSettings,
    seed: Annotated[
        int | None, typer.Option(min=0, metavar="N", help="Seed of the permutations, to see that it does not matter.")
    ] = None,
) -> None:
    """Whether mass, stiffness, tone or damping goes with results on snow.

    First whether the runs tell the skis apart at all; if they do not, nothing is related. Then rank correlations within
    kinds of skis, with everything corrected for how much was tried. Going together is no cause.
    """
    from taptest.snow.relate import SEED
    from taptest.snow.relate import relate as relate_lot
    from taptest.snow.results import read_snow_results
    from taptest.tables.lot import read_lot

    output.check_picture(picture)
    given.settings(lot)  # wrong usage before anything is read
    table = read_lot(lot)
    settings = given.corrected(lot, tuple(row.construction for row in table.rows))
    runs = read_snow_results(results, {row.ski_id for row in table.rows})
    if not runs.runs:
        output.finish([*map(str, (*table.problems, *runs.problems))], [*map(str, runs.notes)], nothing_read=True)
    ran = {run.ski_id for run in runs.runs} | {run.against for run in runs.runs}
    count = sum(row.ski_id in ran for row in table.rows)
    with output.progress("listening", count) as advance:
        result = relate_lot(
            table,
            runs,
            settings=settings,
            progress=lambda done, total, ski_id: advance(),
            workers=output.worker_count(count),
            seed=SEED if seed is None else seed,
        )
    output.present(result, as_json=json)
    if picture is not None:
        from taptest.present.plots.picture import save_picture
        from taptest.present.plots.relate import relation_drawing

        save_picture(picture, lambda: relation_drawing(result))
    output.finish([*map(str, (*result.problems, *result.unread))], [*map(str, result.notes)])
