"""``taptest calibrate``: the commands that make the numbers trustworthy. All measure, store and show in one way."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from taptest.cli import calibrate_studies, output
from taptest.cli.calibrations import Shown
from taptest.cli.options import CalibrationFolder, Channel, High, Json, Low, NoStore, Picture

# In the order of the work: what every station needs first.
_ORDER = ("room", "bar", "suspension", "construction", "repeatability", "drift", "temperature")


class _Commands(TyperGroup):
    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name in _ORDER if name in self.commands]


app = typer.Typer(cls=_Commands, rich_markup_mode=None, add_completion=False, no_args_is_help=True)


@app.callback()
def calibrate() -> None:
    """Measure what the numbers rest on: room, clock, loops, constructions, repeatability and drift.

    Every result is a dated file in the folder 'calibrations' (or --calibrations DIR, or $TAPTEST_CALIBRATIONS), from
    which 'taptest check' takes the newest of each kind and cites it.
    """


@app.command("room", short_help="How the room decays, by octave bands, and its noise and hum.")
def room(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING", help="A second of silence, then claps or bursts; one file a place."),
    ],
    folder: CalibrationFolder = None,
    no_store: NoStore = False,
    channel: Channel = None,
    json: Json = False,
    picture: Picture = None,
) -> None:
    """Reverberation time of the room by octave bands, and its noise and hum.

    Record a second of silence and then some loud claps, two seconds apart, where the skis are tapped; a burst balloon
    or paper bag reaches lower. Recordings from several places are averaged. From then on modes that ring no longer than
    the room are marked, and their damping is not judged.
    """
    from taptest.calibrate.room import measure_room

    shown = Shown(json, picture)
    result = measure_room(recordings, channel=channel)
    shown.keep("room", result, result.recordings, folder, no_store=no_store)
    output.finish(result.unread)


@app.command("bar", short_help="A reference bar: clock, modulus, low-frequency reach, linearity.")
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

    shown = Shown(json, picture)
    settings = output.settings_from(low, high, None, channel)
    result = measure_bar(load_bar(bar), recordings, settings=settings)
    shown.keep("bar", result, result.recordings, folder, no_store=no_store)
    output.finish(result.unread)


@app.command("suspension", short_help="Where the loops belong, and what they do.")
def suspension(
    recording: Annotated[
        str | None,
        typer.Argument(metavar="RECORDING", help="Of the hung ski, to look for its bounce; may be left out."),
    ] = None,
    construction: Annotated[
        str, typer.Option(metavar="NAME", help="Shipped construction, or the path of a .toml file.")
    ] = "classic_generic",
    length: Annotated[str, typer.Option(metavar="LENGTH", help="Such as 1900, '190 cm' or '1.9 m'.")] = "1900",
    balance: Annotated[str | None, typer.Option(metavar="LENGTH", help="Balance point, from the tail.")] = None,
    first: Annotated[
        float | None, typer.Option(metavar="HZ", help="First bending mode; 'taptest predict' tells it.")
    ] = None,
    bounce: Annotated[
        float | None, typer.Option(metavar="HZ", help="Bounce of the hung ski: push it down and count ten seconds.")
    ] = None,
    bounce_damping: Annotated[float, typer.Option(metavar="RATIO", help="Damping ratio of the bounce.")] = 0.1,
    tail_loop: Annotated[str | None, typer.Option(metavar="LENGTH", help="Where a loop is now, from the tail.")] = None,
    tip_loop: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Where the other is now, from the tail too.")
    ] = None,
    channel: Channel = None,
    json: Json = False,
) -> None:
    """Where the loops belong so that they neither stiffen nor damp the ski, and what they do elsewhere.

    Plain lengths are mm. The bounce is looked for in a recording if one is given; few microphones hear it. Nothing is stored.
    """
    from taptest.beam.construction import load_construction
    from taptest.calibrate.suspension import advise, bounce_of
    from taptest.cli import quantities

    given = {"--length": length, "--balance": balance, "--tail-loop": tail_loop, "--tip-loop": tip_loop}
    metres = {name: None if text is None else quantities.metres(name, text) for name, text in given.items()}
    tail, tip = metres["--tail-loop"], metres["--tip-loop"]
    if (tail is None) != (tip is None):
        raise typer.BadParameter("give both loops, or none", param_hint="--tail-loop / --tip-loop")
    swing, notes = bounce_of(recording, given_hz=bounce, damping_ratio=bounce_damping, channel=channel)
    result = advise(
        load_construction(construction),
        metres["--length"] or 0.0,
        balance_m=metres["--balance"],
        first_hz=first,
        bounce=swing,
        loops_m=None if tail is None or tip is None else (tail, tip),
    )
    Shown(json).show("suspension", result)
    output.finish((), [*notes, *(result.notes if json else ())])


@app.command("construction", short_help="A construction file learnt from skis presumed good.")
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

    Ten good skis at least; a few bad ones among them are left out and named. The uncertainty in the file is that of
    predicting each ski from the others. It holds for the same rig and balance.
    """
    from datetime import UTC, datetime

    from taptest.calibrate.use import with_calibrations
    from taptest.learn.construction import learn
    from taptest.learn.construction_file import check_target, write_construction
    from taptest.learn.lots import load_base, measure, rows_of
    from taptest.tables.lot import read_lot

    shown = Shown(json, picture)
    settings = output.settings_from(low, high, None, channel, folder)
    target = check_target(to, name, replace=replace)
    start, tables = load_base(base), [read_lot(lot) for lot in lots]
    rows = rows_of(tables, of or base)
    settings = with_calibrations(settings, beside=None, constructions=(), may_be_new=True)
    workers = output.worker_count(len(rows))
    with output.progress("measuring", len(rows)) as advance:
        lesson = measure(tables, rows, start, settings=settings, progress=advance, workers=workers)
    made = datetime.now(UTC)
    result = learn(lesson.learners, start, stem=target.stem, name=name, made=made, change_profile=not keep_profile)
    write_construction(target, result.construction)
    result = dataclasses.replace(result, written=str(target))
    shown.keep("construction", result, lots, folder, no_store=no_store)
    output.finish([*map(str, lesson.problems), *lesson.unread], lesson.notes)


app.command("repeatability", short_help="How well it repeats, hung anew and by other people.")(
    calibrate_studies.repeatability
)
app.add_typer(
    calibrate_studies.drift, name="drift", short_help="A reference tapped again and again, on a control chart."
)
app.command("temperature", short_help="How frequency goes with temperature.")(calibrate_studies.temperature)
