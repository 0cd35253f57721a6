"""``taptest predict``: natural frequencies from mass and stiffness, for one ski or for a table."""

import math
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import output, quantities
from taptest.cli.options import GivenSettings, Json, MassU, StiffnessU
from taptest.core.errors import shown

if TYPE_CHECKING:
    from taptest.config.settings import RigUncertainty
    from taptest.core.messages import Message
    from taptest.core.units import Dimension
    from taptest.identify.predicted import Change, LotPrediction


def predict(
    lot: Annotated[
        str | None, typer.Argument(metavar="LOT", help="Table of skis, instead of the options below.")
    ] = None,
    construction: Annotated[
        str | None, typer.Option(metavar="NAME", help="Shipped construction, or the path of a .toml file.")
    ] = None,
    length: Annotated[str | None, typer.Option(metavar="LENGTH", help="Such as 1900, '190 cm' or '1.9 m'.")] = None,
    mass: Annotated[str | None, typer.Option(metavar="MASS", help="As hung, such as 520 or '0.52 kg'.")] = None,
    stiffness: Annotated[
        str | None, typer.Option(metavar="STIFFNESS", help="Two-support bending, such as 3.1 or '3100 N/m'.")
    ] = None,
    span: Annotated[str | None, typer.Option(metavar="LENGTH", help="Between the two supports, such as 1400.")] = None,
    rig_centre: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Place of the load, from the tail; otherwise the middle.")
    ] = None,
    binding_mass: Annotated[
        str | None, typer.Option(metavar="MASS", help="Part of the mass that is the binding.")
    ] = None,
    binding_at: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Middle of the binding, from the tail.")
    ] = None,
    change_mass: Annotated[
        float, typer.Option(metavar="PERCENT", show_default=False, help="What this much more mass would do.")
    ] = 0.0,
    change_stiffness: Annotated[
        float, typer.Option(metavar="PERCENT", show_default=False, help="What this much more stiffness would do.")
    ] = 0.0,
    stiffness_u: StiffnessU = None,
    mass_u: MassU = None,
    json: Json = False,
) -> None:
    """Natural frequencies that mass and two-support bending stiffness predict.

    Give a table of skis, or --construction, --length, --mass, --stiffness and --span of one ski. Plain numbers are mm,
    g and N/mm. With --change-mass or --change-stiffness also what such a change would do, in percent and cents.
    """
    given = {
        "--construction": construction,
        "--length": length,
        "--mass": mass,
        "--stiffness": stiffness,
        "--span": span,
        "--rig-centre": rig_centre,
        "--binding-mass": binding_mass,
        "--binding-at": binding_at,
    }
    options = {name: value for name, value in given.items() if value is not None}
    change = _change(change_mass, change_stiffness)
    rig = GivenSettings(stiffness_u_percent=stiffness_u, mass_u_percent=mass_u).settings(lot).rig
    if lot is None:
        _predict_one(options, change, rig, json)
    elif options:
        raise typer.BadParameter(
            f"the table {shown(lot)} says that already; leave one of them out", param_hint=next(iter(options))
        )
    else:
        _predict_lot(lot, change, rig, json)


def _change(mass_percent: float, stiffness_percent: float) -> "Change":
    from taptest.identify.predicted import Change

    for option, percent in (("--change-mass", mass_percent), ("--change-stiffness", stiffness_percent)):
        if not (math.isfinite(percent) and -100 < percent <= 1000):
            raise typer.BadParameter(f"{percent:g} %: write a change above -100 and up to 1000", param_hint=option)
    return Change(mass_percent, stiffness_percent)


def _predict_one(options: dict[str, str], change: "Change", rig: "RigUncertainty", json: bool) -> None:
    from taptest.beam.construction import construction_names, load_construction
    from taptest.beam.predict import SkiMeasurements
    from taptest.identify.predicted import LotPrediction, predict_ski

    needed = ("--construction", "--length", "--mass", "--stiffness", "--span")
    missing = [name for name in needed if name not in options]
    if len(missing) == len(needed) and not options:
        raise typer.BadParameter(f"give a table, or {', '.join(needed)} of one ski", param_hint="LOT")
    if missing:
        known = f"; shipped constructions: {', '.join(construction_names())}" if "--construction" in missing else ""
        raise typer.BadParameter(f"missing, and needed for every prediction{known}", param_hint=" / ".join(missing))
    length_m, span_m = _metres(options, "--length"), _metres(options, "--span")
    mass_kg, stiffness_n_per_m = _quantity(options, "--mass", "mass"), _quantity(options, "--stiffness", "stiffness")
    measurements = SkiMeasurements(
        length_m=length_m or 0.0,
        mass_kg=mass_kg or 0.0,
        stiffness_n_per_m=stiffness_n_per_m or 0.0,
        span_m=span_m or 0.0,
        rig_centre_m=_metres(options, "--rig-centre"),
        binding_mass_kg=_quantity(options, "--binding-mass", "mass") or 0.0,
        binding_m=_metres(options, "--binding-at"),
        stiffness_u_rel=rig.stiffness_u_rel,
        mass_u_rel=rig.mass_u_rel,
    )
    ski = predict_ski(load_construction(options["--construction"]), measurements, change=change)
    if json:
        _write_json(LotPrediction((ski,), ()))
        return
    from taptest.present.text.prediction_table import ski_view

    console = output.screen()
    output.show(ski_view(ski, console.width), console)


def _predict_lot(path: str, change: "Change", rig: "RigUncertainty", json: bool) -> None:
    from taptest.identify.predicted import predict_lot
    from taptest.tables.lot import read_lot

    lot = read_lot(path)
    result = predict_lot(lot, change=change, rig=rig)
    if json:
        _write_json(result, lot.problems)
    else:
        from taptest.present.text.prediction_table import lot_view

        console = output.screen()
        output.show(lot_view(result, console.width), console)
    output.finish([*map(str, lot.problems), *result.refused], [*map(str, lot.notes)], nothing_read=not result.skis)


def _write_json(result: "LotPrediction", problems: "tuple[Message, ...]" = ()) -> None:
    from taptest.present.json.documents import prediction_document

    output.write_json(prediction_document(result, problems))


def _metres(options: dict[str, str], option: str) -> float | None:
    return _quantity(options, option, "length")


def _quantity(options: dict[str, str], option: str, dimension: "Dimension") -> float | None:
    text = options.get(option)
    return None if text is None else quantities.quantity(option, text, dimension)
