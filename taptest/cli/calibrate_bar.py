"""``taptest calibrate bar``: a reference bar of known size, tapped."""

from typing import Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Channel, High, Json, Low, NoStore, Picture


def bar(
    bar: Annotated[str, typer.Argument(metavar="BAR", help="Shipped bar, or the path of a .toml file of your own.")],
    recordings: Annotated[
        list[str], typer.Argument(metavar="RECORDING", help="The bar hung in two loops and tapped, like a ski.")
    ],
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    low: Low = 15.0,
    high: High = 3000.0,
    channel: Channel = None,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """A reference bar: does the recorder hear what a bar of this size must ring at?

    Gives the bar's dynamic modulus, the error of the recorder's clock as far as it can be told from the modulus, how low the
    microphone hears, and whether frequency and damping stay the same as the ring fades.
    """
    from taptest.beam.bar import load_bar
    from taptest.calibrate.bar import measure_bar

    output.check_picture(picture)
    settings = output.settings_from(low, high, None, channel)
    result = measure_bar(load_bar(bar), recordings, settings=settings)
    stored = calibrations.keep(calibrations.new("bar", result.values(), result.recordings), folder, wanted=not no_store)
    if json:
        from taptest.present.json.calibration import bar_document

        output.write_json(bar_document(result, stored))
    else:
        from taptest.present.text.bar_table import bar_view

        console = output.screen()
        output.show(bar_view(result, stored, console.width), console)
    if picture is not None:
        from taptest.present.plots.calibrate import bar_drawing
        from taptest.present.plots.picture import save_picture

        save_picture(picture, lambda: bar_drawing(result))
    output.finish(result.unread)
