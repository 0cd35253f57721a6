"""Options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]
Low = Annotated[float, typer.Option(metavar="HZ", help="Listen from this frequency.")]
High = Annotated[float, typer.Option(metavar="HZ", help="Listen up to this frequency.")]
Room = Annotated[
    float | None,
    typer.Option(metavar="SECONDS", help="Reverberation time of the room, if known: marks what rings no shorter."),
]
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
