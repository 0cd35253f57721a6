"""``taptest calibrate construction``: a construction file learnt from skis presumed good."""

from datetime import UTC, datetime
from typing import Annotated

import typer

from taptest.cli import calibrations, output
from taptest.cli.options import CalibrationFolder, Channel, High, Json, Low, NoStore, Picture


def construction(
    lots: Annotated[list[str], typer.Argument(metavar="LOT", help="Tables of skis presumed good, all of one kind.")],
    base: Annotated[
        str, typer.Option(metavar="NAME", help="Construction to start from: shipped, or the path of a .toml file.")
    ],
    name: Annotated[str, typer.Option(metavar="TEXT", help="What the new construction is called in tables.")],
    to: Annotated[str, typer.Option("--output", "-o", metavar="FILE.toml", help="The file to write.")],
    of: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Learn from skis whose construction the table gives so; otherwise --base."),
    ] = None,
    keep_profile: Annotated[
        bool, typer.Option("--keep-profile", help="Leave stiffness and mass along the ski as the base has them.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there already.")] = False,
    low: Low = 15.0,
    high: High = 1500.0,
    channel: Channel = None,
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """Learn how a construction's modes lie, and how well they can be predicted, from skis presumed good.

    Ten sound skis at least; a few bad ones among them are left out and named. The uncertainty in the file is that of
    predicting each ski from the others. It holds for the same rig and balance.
    """
    from taptest.calibrate.construction import learn
    from taptest.calibrate.construction_file import check_target, write_construction
    from taptest.calibrate.learning import load_base, measure, rows_of
    from taptest.tables.lot import read_lot

    output.check_picture(picture)
    settings = output.settings_from(low, high, None, channel)
    target = check_target(to, name, replace=replace)
    start, tables = load_base(base), [read_lot(lot) for lot in lots]
    rows = rows_of(tables, of or base)
    corrections = calibrations.trusted(folder, may_be_new=True)
    with output.progress("measuring", len(rows)) as advance:
        lesson = measure(
            tables,
            rows,
            start,
            settings=settings,
            corrections=corrections,
            progress=advance,
            workers=output.worker_count(len(rows)),
        )
    now = datetime.now(UTC)
    result = learn(lesson.learners, start, stem=target.stem, name=name, made=now, change_profile=not keep_profile)
    write_construction(target, result.construction)
    values = {"construction": target.name, **result.values()}
    stored = calibrations.keep(calibrations.new("construction", values, tuple(lots)), folder, wanted=not no_store)
    if json:
        from taptest.present.json.calibration import construction_document

        output.write_json(construction_document(result, target, stored))
    else:
        from taptest.present.text.construction_table import construction_view

        console = output.screen()
        output.show(construction_view(result, target, stored, console.width), console)
    if picture is not None:
        from taptest.present.plots.calibrate import construction_drawing
        from taptest.present.plots.picture import save_picture

        save_picture(picture, lambda: construction_drawing(result))
    output.finish([*map(str, lesson.problems), *lesson.unread], lesson.notes)
