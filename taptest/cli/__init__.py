"""The ``taptest`` command: one file per command, each of which parses, calls the library and renders."""

from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from taptest.cli import (
    analyse,
    calibrate,
    check,
    compare,
    devices,
    log,
    output,
    pairs,
    plan,
    play,
    predict,
    record,
    relate,
    report,
)
from taptest.core.version import VERSION


class _Commands(TyperGroup):
    """In the order of the work, and with every failure turned into one line and an exit status."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [
            "record",
            "check",
            "report",
            "pairs",
            "compare",
            "relate",
            "plan",
            "analyse",
            "predict",
            "play",
            "devices",
            "calibrate",
            "log",
        ]

    def invoke(self, ctx: Any) -> Any:
        with output.failures_as_exit_status():
            return super().invoke(ctx)


app = typer.Typer(cls=_Commands, rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)
app.command("check", short_help="Judge every ski of a lot (the main job).")(check.check)
app.command("report", short_help="A lot as one page to look at, listen to and hand over.")(report.report)
app.command("pairs", short_help="Compare the skis of pairs, or make the best pairs of a pile.")(pairs.pairs)
app.command("compare", short_help="Generations or constructions side by side.")(compare.compare)
app.command("analyse", short_help="Taps, resonances and damping heard in recordings.")(analyse.analyse)
app.command("predict", short_help="Natural frequencies from mass and stiffness.")(predict.predict)
app.command("record", short_help="Tap skis: good taps are kept, counted and entered in the table.")(record.record)
app.command("devices", short_help="Microphones, and whether the one in use is fit.")(devices.devices)
app.command("plan", short_help="How many skis, hangings or runs a difference takes.")(plan.plan)
app.command("relate", short_help="What goes with results on snow, if anything does.")(relate.relate)
app.add_typer(calibrate.app, name="calibrate", short_help="Room, clock, loops: what makes the numbers trustworthy.")
app.add_typer(log.app, name="log", short_help="The logbook: what was measured, and how a ski has changed.")
app.command("play", short_help="Taps or their modes one after another, for comparison by ear.")(play.play)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"taptest {VERSION}")
        raise typer.Exit


@app.callback(no_args_is_help=True)
def taptest(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Natural frequencies and damping of hung, tapped cross-country skis, against what stiffness and mass predict.

    Exit status: 0 done, 1 failed, 2 wrong usage, 3 outliers found (check --fail-on outlier), 4 done but part of the
    input could not be read.
    """


def main() -> None:
    """Run the command line of this process; never returns."""
    output.prepare_process()
    with output.failures_as_exit_status():
        app(prog_name="taptest")
