"""``taptest calibrate temperature``: how frequency goes with temperature."""

from typing import Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Json, NoStore


def temperature(
    study: Annotated[str, typer.Argument(metavar="STUDY", help="Table with part, temperature_c and frequency_hz.")],
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    json: Json = False,
) -> None:
    """How much frequency falls a kelvin, from skis measured warm and cold.

    From then on a check gives the frequencies of skis whose temperature stands in its table at one temperature, as far
    as this study reaches. Damping is never corrected: it follows no straight line, least of all through 0 degrees C.
    """
    from taptest.calibrate.temperature import fit_temperature

    result = fit_temperature(study)
    stored = calibrations.keep(
        calibrations.new("temperature", result.values(), (result.path,)), folder, wanted=not no_store
    )
    if json:
        from taptest.present.json.study import temperature_document

        output.write_json(temperature_document(result, stored))
    else:
        from taptest.present.text.gauge_table import temperature_view

        console = output.screen()
        output.show(temperature_view(result, stored, console.width), console)
    output.finish([str(problem) for problem in result.problems])
