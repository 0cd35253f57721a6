"""``taptest pairs``: do two skis belong together, and how is a pile best made into pairs?"""

from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import output
from taptest.cli.options import GivenSettings, Json, takes_settings

if TYPE_CHECKING:
    from taptest.pairing.limits import PairLimits


@takes_settings
def pairs(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="Table of skis (csv or xlsx), one line a ski.")],
    pile: Annotated[
        bool, typer.Option("--pile", help="Disregard the pairs of the table and find the best ones of all.")
    ] = False,
    limits: Annotated[
        str | None, typer.Option(metavar="FILE", help="Limits from a TOML file; the options below go before it.")
    ] = None,
    mass: Annotated[
        str | None, typer.Option(metavar="G/G", help="Matched and close up to such a difference, as in 5/10; or off.")
    ] = None,
    stiffness: Annotated[str | None, typer.Option(metavar="%/%", help="The same for stiffness; 3/5.")] = None,
    frequency: Annotated[str | None, typer.Option(metavar="%/%", help="The same for frequency; 1/3.")] = None,
    damping: Annotated[str | None, typer.Option(metavar="%/%", help="The same for damping; 20/40.")] = None,
    balance: Annotated[str | None, typer.Option(metavar="MM/MM", help="The same for the balance point; 5/10.")] = None,
    json: Json = False,
    *,
    given: GivenSettings,
) -> None:
    """Compare the two skis of every pair, or make the best pairs of a pile (--pile).

    Pairs are matched, close, mismatched or not compared, by mass, stiffness, frequency, damping and balance, as far as
    they are known of both.
    """
    from taptest.pairing.pairs import match_pairs
    from taptest.tables.lot import read_lot

    given.settings(lot)  # wrong usage before anything is read
    options = (mass, stiffness, frequency, damping, balance)
    allowed = _limits(limits, options)
    table = read_lot(lot)
    settings = given.corrected(lot, tuple(row.construction for row in table.rows))
    with output.progress("listening", len(table.rows)) as advance:
        result = match_pairs(
            table,
            limits=allowed,
            pile=pile,
            settings=settings,
            progress=lambda done, total, ski_id: advance(),
            workers=output.worker_count(sum(len(row.recordings) for row in table.rows)),
        )
    output.present(result, as_json=json)
    output.finish(
        [*map(str, (*result.problems, *result.unread))], [*map(str, result.notes)], nothing_read=not table.rows
    )


def _limits(path: str | None, options: tuple[str | None, ...]) -> "PairLimits":
    """The file's limits with those of the options, which are in the order of QUANTITIES, or wrong usage."""
    from taptest.core.errors import LimitsError
    from taptest.pairing.limits import QUANTITIES, PairLimits, parse_limit, read_limits

    limits = PairLimits() if path is None else read_limits(path)
    for quantity, text in zip(QUANTITIES, options, strict=True):
        if text is not None:
            try:
                limits = limits.changed(quantity, parse_limit(quantity, text))
            except LimitsError as refused:
                raise typer.BadParameter(str(refused), param_hint=f"--{quantity}") from None
    if not limits.limits:
        raise typer.BadParameter("everything is off, so nothing is compared; leave one on", param_hint="--mass")
    return limits
