"""``taptest compare``: generations or constructions side by side."""

from enum import StrEnum
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import GivenSettings, Json, Picture, takes_settings


class By(StrEnum):
    """What makes a group."""

    GENERATION = "generation"
    CONSTRUCTION = "construction"


@takes_settings
def compare(
    lots: Annotated[list[str], typer.Argument(metavar="LOT", help="Tables of skis (csv or xlsx).")],
    by: Annotated[
        By, typer.Option(metavar="generation|construction", help="What makes a group; each within the other.")
    ] = By.GENERATION,
    against: Annotated[
        str | None, typer.Option(metavar="NAME", help="Group to compare with; otherwise the first of the tables.")
    ] = None,
    length: Annotated[
        float | None, typer.Option(metavar="MM", help="Common length for the first mode; otherwise the median.")
    ] = None,
    json: Json = False,
    picture: Picture = None,
    *,
    given: GivenSettings,
) -> None:
    """Compare generations (or constructions): mass, stiffness, tone, damping, swing, and where a new tone comes from.

    Every difference has an interval and says so where there are too few skis to show one. Several tables are taken
    as one.
    """
    from taptest.comparison.compare import compare as compare_lots
    from taptest.config.limits import LIMITS
    from taptest.core.errors import LotError
    from taptest.tables.lot import read_lot

    output.check_picture(picture)
    given.settings()  # wrong usage before anything is read
    least, most = (1000 * each for each in LIMITS.tables.length_m)
    if length is not None and not least <= length <= most:
        wrong = f"{length:g} mm is outside {least:g} to {most:g} mm; is the unit right?"
        raise typer.BadParameter(wrong, param_hint="--length")
    tables, settings, refused = [], [], []
    for path in lots:
        try:
            table = read_lot(path)
        except LotError as problem:
            refused.append(str(problem))
            continue
        tables.append(table)
        settings.append(given.corrected(path, tuple(row.construction for row in table.rows)))
    rows = [row for table in tables for row in table.rows]
    if not rows:
        output.finish([*refused, *(str(problem) for table in tables for problem in table.problems)], nothing_read=True)
    with output.progress("listening", len(rows)) as advance:
        try:
            result = compare_lots(
                tables,
                by=by.value,
                against=against,
                length_m=None if length is None else length / 1000,
                settings=settings,
                progress=lambda done, total, ski_id: advance(),
                workers=output.worker_count(sum(len(row.recordings) for row in rows)),
            )
        except LotError as problem:
            # A table that could not be read may well be what is missing.
            output.finish([*refused, str(problem)], nothing_read=True)
            return
    output.present(result, as_json=json)
    if picture is not None:
        from taptest.present.plots.compare import comparison_drawing
        from taptest.present.plots.picture import save_picture

        save_picture(picture, lambda: comparison_drawing(result))
    output.finish([*refused, *map(str, (*result.problems, *result.unread))], [*map(str, result.notes)])
