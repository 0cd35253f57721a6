"""``taptest calibrate suspension``: where the loops belong, and what they do to the measurement."""

from typing import Annotated

import typer

from taptest.cli import output, quantities
from taptest.cli.options import Channel, Json
from taptest.core.errors import shown


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
    from taptest.calibrate.suspension import Bounce, advise, find_bounce
    from taptest.io.recording import read_recording
    from taptest.signal.analysis import choose_channel

    given = {"--length": length, "--balance": balance, "--tail-loop": tail_loop, "--tip-loop": tip_loop}
    metres = {name: None if text is None else quantities.metres(name, text) for name, text in given.items()}
    if (metres["--tail-loop"] is None) != (metres["--tip-loop"] is None):
        raise typer.BadParameter("give both loops, or none", param_hint="--tail-loop / --tip-loop")
    notes = []
    swing = None if bounce is None else Bounce(bounce, bounce_damping, seen=False)
    if recording is not None and swing is None:
        sound = read_recording(recording)
        swing = find_bounce(sound, choose_channel(sound, channel), damping_ratio=bounce_damping)
        if swing is None:
            notes.append(
                f"{shown(recording, 100)}: no bounce is visible in it; count it by eye and give it as --bounce"
            )
    tail, tip = metres["--tail-loop"], metres["--tip-loop"]
    result = advise(
        load_construction(construction),
        metres["--length"] or 0.0,
        balance_m=metres["--balance"],
        first_hz=first,
        bounce=swing or Bounce(2.5, bounce_damping, seen=False),
        loops_m=None if tail is None or tip is None else (tail, tip),
    )
    if json:
        from taptest.present.json.calibration import suspension_document

        output.write_json(suspension_document(result))
    else:
        from taptest.present.text.suspension_table import suspension_view

        console = output.screen()
        output.show(suspension_view(result, console.width, given=bounce is not None), console)
    output.finish((), [*notes, *(result.notes if json else ())])
