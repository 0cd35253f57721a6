"""The ``taptest`` command: one file per command, each of which parses, calls the library and renders.

More files and lines than other rooms, as every option of every command is declared here.
"""

from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from taptest.cli import output
from taptest.core.version import VERSION

# Every command, in the order of the work: its name, which is that of its module and of the function in it (or of the module's
# ``app``, where it has commands of its own), and what the list says of it.
COMMANDS = (
    ("record", "Tap skis: good taps are kept, counted and entered in the table."),
    ("check", "Judge every ski of a lot (the main job)."),
    ("report", "A lot as one page to look at, listen to and hand over."),
    ("pairs", "Compare the skis of pairs, or make the best pairs of a pile."),
    ("compare", "Generations or constructions side by side."),
    ("relate", "What goes with results on snow, if anything does."),
    ("plan", "How many skis, hangings or runs a difference takes."),
    ("analyse", "Taps, resonances and damping heard in recordings."),
    ("predict", "Natural frequencies from mass and stiffness."),
    ("play", "Taps or their modes one after another, for comparison by ear."),
    ("devices", "Microphones, and whether the one in use is fit."),
    ("calibrate", "Room, clock, loops: what makes the numbers trustworthy."),
    ("log", "The logbook: what was measured, and how a ski has changed."),
    ("limits", "Every figure that judges, and what may be set in taptest.toml."),
)


class _Commands(TyperGroup):
    """In the order of the work, and with every failure turned into one line and an exit status."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name, _ in COMMANDS]

    def invoke(self, ctx: Any) -> Any:
        with output.failures_as_exit_status():
            return super().invoke(ctx)


app = typer.Typer(cls=_Commands, rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)
for _name, _help in COMMANDS:
    _module = import_module(f"taptest.cli.{_name}")
    if hasattr(_module, "app"):
        app.add_typer(_module.app, name=_name, short_help=_help)
    else:
        app.command(_name, short_help=_help)(getattr(_module, _name))


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
