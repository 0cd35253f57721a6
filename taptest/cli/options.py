"""Options that several commands share, and how those that make up the settings are taken."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from taptest.config.settings import Settings

Json = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]
Low = Annotated[float, typer.Option(metavar="HZ", help="Listen from this frequency.")]
High = Annotated[float, typer.Option(metavar="HZ", help="Listen up to this frequency.")]
Channel = Annotated[
    int | None,
    typer.Option(min=1, metavar="N", help="Channel to use, from 1; otherwise the one in which taps stand out most."),
]
CalibrationFolder = Annotated[
    str | None,
    typer.Option(
        "--calibrations",
        metavar="DIR",
        help="Folder of calibrations; otherwise $TAPTEST_CALIBRATIONS, otherwise 'calibrations'.",
    ),
]
NoStore = Annotated[bool, typer.Option("--no-store", help="Show the result, but store nothing.")]
Plot = Annotated[bool, typer.Option("--plot", help="Draw pictures of characters with the tables.")]
Picture = Annotated[
    Path | None, typer.Option("--picture", metavar="FILE", help="Draw the result into a .svg or .png as well.")
]
SampleRate = Annotated[
    float | None,
    typer.Option(metavar="HZ", help="Sample rate of a pickup's text file without a time column."),
]
SensitivityText = Annotated[
    str | None,
    typer.Option("--sensitivity", metavar="TEXT", help="What a pickup's volts mean, as '100 mV/g'."),
]
Log = Annotated[
    bool,
    typer.Option("--log", envvar="TAPTEST_LOG", help="Enter it in the logbook as well; always with $TAPTEST_LOG=1."),
]
LogbookPlace = Annotated[
    str | None,
    typer.Option(
        "--logbook",
        metavar="WHERE",
        help="File or postgresql://USER@HOST/NAME; otherwise $TAPTEST_LOGBOOK, otherwise one of your own.",
    ),
]
Station = Annotated[
    str | None, typer.Option(metavar="NAME", help="Which bench this is; otherwise $TAPTEST_STATION, or this computer.")
]
Operator = Annotated[str | None, typer.Option(metavar="NAME", help="Who measured; otherwise $TAPTEST_OPERATOR.")]


StiffnessU = Annotated[
    float | None,
    typer.Option("--stiffness-u", metavar="PERCENT", help="Standard uncertainty of the rig's stiffness; default 2."),
]
MassU = Annotated[
    float | None, typer.Option("--mass-u", metavar="PERCENT", help="Standard uncertainty of the mass; default 0.5.")
]


@dataclass(frozen=True)
class GivenSettings:
    """What the command line says of the settings; None where it says nothing, and then the files and the defaults hold."""

    low_hz: Annotated[
        float | None, typer.Option("--low", metavar="HZ", help="Listen from this frequency; default 15.")
    ] = None
    high_hz: Annotated[
        float | None, typer.Option("--high", metavar="HZ", help="Listen up to this frequency; default 1500.")
    ] = None
    room_s: Annotated[
        float | None,
        typer.Option(
            "--room", metavar="SECONDS", help="Reverberation time of the room, if known: marks what rings no shorter."
        ),
    ] = None
    channel: Channel = None
    false_alarm_rate: Annotated[
        str | None,
        typer.Option(
            "--false-alarm-rate",
            metavar="RATE",
            help="At most so many good skis are flagged; such as 1/100 (default) or 0.5%.",
        ),
    ] = None
    stiffness_u_percent: StiffnessU = None
    mass_u_percent: MassU = None
    calibrations: CalibrationFolder = None

    def settings(self, beside: str | Path | None = None) -> Settings:
        """The settings that hold for a lot, without corrections; or wrong usage.

        Raises:
            LimitsError: a ``taptest.toml`` that cannot be used.
        """
        from taptest.config.file import read_settings
        from taptest.core.errors import SettingsError

        values = {each.name: getattr(self, each.name) for each in fields(self)}
        values["false_alarm_rate"] = _rate(self.false_alarm_rate)
        try:
            return read_settings(None if beside is None else Path(beside), values)
        except SettingsError as refused:
            raise typer.BadParameter(str(refused), param_hint=_HINTS[refused.setting]) from None

    def corrected(self, beside: str | Path, constructions: tuple[str, ...]) -> Settings:
        """The same with what the calibrations that belong to a lot say.

        Raises:
            CalibrationError: there is no such folder of calibrations.
        """
        from taptest.calibrate.use import with_calibrations

        return with_calibrations(self.settings(beside), beside=Path(beside), constructions=constructions)


_HINTS = {
    "low_hz": "--low / --high",
    "room_s": "--room",
    "channel": "--channel",
    "false_alarm_rate": "--false-alarm-rate",
    "stiffness_u_rel": "--stiffness-u",
    "mass_u_rel": "--mass-u",
}


def _rate(text: str | None) -> float | None:
    """A rate as "1/100", "1%" or "0.01"."""
    if text is None:
        return None
    try:
        over, _, under = text.strip().removesuffix("%").partition("/")
        return float(over) / float(under or 1) / (100 if text.strip().endswith("%") else 1)
    except (ValueError, ZeroDivisionError):
        raise typer.BadParameter(
            f"'{text}' is no rate: write such as 1/100, 1% or 0.01", param_hint="--false-alarm-rate"
        ) from None


def takes_settings(command: Callable[..., None]) -> Callable[..., None]:
    """A command with the options of `GivenSettings`, which it gets as ``given``, in place of that parameter."""
    own = inspect.signature(command, eval_str=True)
    hints = inspect.get_annotations(GivenSettings, eval_str=True)
    more = [
        inspect.Parameter(each.name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=hints[each.name])
        for each in fields(GivenSettings)
    ]
    parameters = [each for name, each in own.parameters.items() if name != "given"]

    @functools.wraps(command)
    def taking(**options: Any) -> None:
        given = GivenSettings(**{each.name: options.pop(each.name) for each in more})
        command(given=given, **options)

    taking.__signature__ = own.replace(parameters=[*parameters, *more])  # type: ignore[attr-defined]
    taking.__annotations__ = {each.name: each.annotation for each in (*parameters, *more)} | {"return": None}
    return taking
