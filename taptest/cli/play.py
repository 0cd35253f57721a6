"""``taptest play``: taps, or the modes heard in them, one after another for comparison by ear."""

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from taptest.cli import output
from taptest.cli.options import Channel, High, Json, Low
from taptest.core.errors import PlaybackError, shown

if TYPE_CHECKING:
    from taptest.playback.playlist import Clip, PlayOptions, Source


def play(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="SKI|RECORDING", help="Sound files; or, with --lot, ids of its skis (none: all)."),
    ] = None,
    lot: Annotated[str | None, typer.Option(metavar="LOT", help="Table of skis that the ids are looked up in.")] = None,
    modes: Annotated[
        bool, typer.Option("--modes", help="Play the modes that were heard, made anew, without noise and echo.")
    ] = False,
    octaves: Annotated[
        int, typer.Option(min=0, max=6, metavar="N", help="Shift up by whole octaves, so that low tones can be heard.")
    ] = 0,
    keep_decay: Annotated[
        bool, typer.Option("--keep-decay", help="Shifted modes ring as long as the original ones (with --modes).")
    ] = False,
    seconds: Annotated[float, typer.Option(metavar="SECONDS", help="Length of each sound.")] = 2.0,
    save: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write a .wav or .flac instead of playing; needs no sound card.")
    ] = None,
    device: Annotated[
        str | None, typer.Option(metavar="DEVICE", help="Loudspeaker to use: a name, a part of it, or a number.")
    ] = None,
    json: Json = False,
    low: Low = 15.0,
    high: High = 1500.0,
    channel: Channel = None,
) -> None:
    """Play taps, or the modes heard in them, one after another, equally loud, for comparison by ear.

    Of each recording the clearest good tap is played. Headphones low before it starts: a tap is a sharp peak.
    """
    from taptest.playback.player import find_output
    from taptest.playback.player import play as play_aloud
    from taptest.playback.playlist import check_save_name, compose
    from taptest.playback.playlist import save as save_to

    options = _options(modes, octaves, keep_decay, seconds)
    settings = output.settings_from(low, high, None, channel)
    sources, problems = _sources(names or [], lot)
    if save is not None:
        check_save_name(save)
    loudspeaker = None if save is not None else find_output(device)
    rate = {} if loudspeaker is None else {"sample_rate_hz": loudspeaker.sample_rate_hz}
    with output.progress("listening", len(sources)) as advance:
        playlist = compose(sources, options, settings=settings, progress=advance, **rate)
    if save is not None and playlist.clips:
        save_to(playlist, save)
    if json:
        from taptest.present.json.playback import playlist_document

        output.write_json(playlist_document(playlist, save))
    elif playlist.clips:
        from taptest.present.text.play_table import playlist_view

        console = output.screen()
        output.show(playlist_view(playlist, console.width), console)
    notes = []
    if loudspeaker is not None and playlist.clips:
        broken = play_aloud(playlist, loudspeaker, None if json else _announce)
        notes = [f"the sound broke up {broken} times; close what keeps the computer busy"] if broken else []
    elif save is not None and playlist.clips and not json:
        output.say(f"saved as {save}")
    output.finish([*problems, *playlist.refused], notes, nothing_read=not playlist.clips)


def _options(modes: bool, octaves: int, keep_decay: bool, seconds: float) -> "PlayOptions":
    """The options that say how to play, or wrong usage."""
    from taptest.playback.playlist import PlayOptions

    if keep_decay and not modes:
        raise typer.BadParameter("goes with --modes only: a recorded tap is shifted whole", param_hint="--keep-decay")
    try:
        return PlayOptions(modes=modes, octaves_up=octaves, keep_decay_time=keep_decay, seconds=seconds)
    except PlaybackError as refused:
        raise typer.BadParameter(str(refused), param_hint="--seconds") from None


def _sources(names: list[str], lot: str | None) -> "tuple[list[Source], list[str]]":
    """What to play, and what is wrong with the table it is looked up in."""
    from taptest.playback.playlist import Source

    if lot is None:
        if not names:
            raise typer.BadParameter("name recordings, or a table with --lot LOT", param_hint="SKI|RECORDING")
        # The path only where two files of one name would not be told apart.
        alike = Counter(Path(name).name for name in set(names))
        return [Source(Path(name).name if alike[Path(name).name] == 1 else name, (name,)) for name in names], []
    from taptest.tables.lot import read_lot, select_skis

    table = read_lot(lot)
    rows = select_skis(table, names)
    return [Source(row.ski_id, tuple(map(str, row.recordings))) for row in rows], [*map(str, table.problems)]


def _announce(clip: "Clip") -> None:
    output.say(f"now: {shown(clip.name, 60)}")
