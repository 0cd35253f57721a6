"""``taptest calibrate``: the commands that make the numbers trustworthy, each in a file of its own."""

from typing import Any

import typer
from typer.core import TyperGroup

from taptest.cli import (
    calibrate_bar,
    calibrate_construction,
    calibrate_drift,
    calibrate_repeatability,
    calibrate_room,
    calibrate_suspension,
    calibrate_temperature,
)

# In the order of the work: what every station needs first.
_ORDER = ("room", "bar", "suspension", "construction", "repeatability", "drift", "temperature")


class _Commands(TyperGroup):
    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name in _ORDER if name in self.commands]


app = typer.Typer(cls=_Commands, rich_markup_mode=None, add_completion=False, no_args_is_help=True)
app.command("room", short_help="How the room decays, by octave bands, and its noise and hum.")(calibrate_room.room)
app.command("bar", short_help="A reference bar: clock, modulus, low-frequency reach, linearity.")(calibrate_bar.bar)
app.command("suspension", short_help="Where the loops belong, and what they do.")(calibrate_suspension.suspension)
app.command("repeatability", short_help="How well it repeats, hung anew and by other people.")(
    calibrate_repeatability.repeatability
)
app.add_typer(calibrate_drift.app, name="drift", short_help="A reference tapped again and again, on a control chart.")
app.command("temperature", short_help="How frequency goes with temperature.")(calibrate_temperature.temperature)

app.command("construction", short_help="A construction file learnt from skis presumed good.")(
    calibrate_construction.construction
)


@app.callback()
def calibrate() -> None:
    """Measure what the numbers rest on: room, clock, loops, constructions, repeatability and drift.

    Every result is a dated file in the folder 'calibrations' (or --calibrations DIR, or $TAPTEST_CALIBRATIONS), from
    which 'taptest check' takes the newest of each kind and cites it.
    """
