"""``taptest limits``: every figure by which the program judges."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from taptest.cli import output
from taptest.cli.options import Json


def limits(
    lot: Annotated[
        Path | None,
        typer.Argument(metavar="LOT", help="A lot, for the taptest.toml beside it; otherwise your own only."),
    ] = None,
    settable: Annotated[bool, typer.Option("--settable", help="Only those that taptest.toml may set.")] = False,
    json: Json = False,
) -> None:
    """Every figure that decides about a ski, a tap or a measurement: value, unit, where it comes from, what it does.

    Those marked * may be set in a taptest.toml beside the lot, or in your settings folder, such as

    [limits.group]
    least_skis = 12
    """
    from taptest.config.file import files_beside, read_settings
    from taptest.config.limits import named_limits

    settings = read_settings(lot)
    found = [each for each in named_limits(settings.limits) if each.settable or not settable]
    files = [str(each) for each in files_beside(lot)]
    if json:
        from taptest.present.json.limits import limits_document

        output.write_json(limits_document(found, files))
    else:
        from taptest.present.text.limits_table import limits_view

        console = output.screen()
        output.show(limits_view(found, files, console.width), console)
