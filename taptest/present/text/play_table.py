"""What is going to be heard, for a terminal."""

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.config.limits import LIMITS
from taptest.playback.playlist import Clip, Playlist
from taptest.present.text.tables import counted, name, note, number, pinned, prose, ruled_table
from taptest.signal.analysis import Mode

HEADPHONES = "Headphones low before it starts: a tap is a sharp peak."

_LEVELS = (
    "level: what was done to it so that all sound equally loud (A-weighted sound exposure), the loudest sample at "
    "-12 dB of full scale at most."
)
_ANY_LOW = (
    f"Tones below {LIMITS.playback.laptop_low_hz:g} Hz are hardly audible from a laptop; --octaves 2 shifts everything up by "
    "two octaves."
)
_KEPT = "The decay times are kept: every tone rings as long as the ski's own."
_SHORTER = "The damping stays, so everything is over in {share} of the time."
_SHARES = {1: "half", 2: "a quarter", 3: "an eighth", 4: "a sixteenth"}


def playlist_view(playlist: Playlist, width: int) -> Group:
    """Every sound in a line, how it was shifted, and the caution."""
    octaves = playlist.options.octaves_up
    headings = [("", "right"), ("name", "fold"), ("what", "left"), ("lowest tone\nHz", "right")]
    if octaves:
        headings.append(("sounds as\nHz", "right"))
    headings += [("strongest\nHz", "right"), ("", "left"), ("level\ndB", "right"), ("", "left")]
    table = ruled_table(width, headings)
    for count, clip in enumerate(playlist.clips, 1):
        cells: list[str | Text] = [str(count), name(clip.name), _what(clip), _hz(clip.lowest)]
        if octaves:
            cells.append(_hz(clip.lowest, 2**octaves))
        strongest = clip.strongest
        cells += [
            _hz(strongest),
            "" if strongest is None else note(strongest.tone),
            number(clip.gain_db, 0, sign=True),
        ]
        table.add_row(*cells, Text("quieter" if clip.quieter_db > 1 else "", "yellow"))
    return Group(pinned(table, width), Text(), *_remarks(playlist), Text(HEADPHONES, "bold"))


def _what(clip: Clip) -> str:
    return counted(len(clip.heard), "mode") if clip.kind == "modes" else f"tap at {clip.onset_s:.2f} s"


def _hz(mode: Mode | None, factor: float = 1.0) -> str:
    return number(None if mode is None else factor * mode.frequency_hz, 1)


def _remarks(playlist: Playlist) -> list[RenderableType]:
    octaves, clips = playlist.options.octaves_up, playlist.clips
    lines = [_LEVELS]
    if octaves:
        shift = f"Shifted up by {counted(octaves, 'octave')}: every frequency is {2**octaves} times the ski's own."
        kept = playlist.options.keep_decay_time
        lines.append(f"{shift} {_KEPT if kept else _SHORTER.format(share=_SHARES.get(octaves, f'1/{2**octaves}'))}")
    elif any(clip.lowest is not None and clip.lowest.frequency_hz < LIMITS.playback.laptop_low_hz for clip in clips):
        lines.append(_ANY_LOW)
    if any(clip.quieter_db > 1 for clip in clips):
        lines.append("quieter: low tones only; as loud as the others to the ear its peaks would be too high.")
    if any(clip.left_out for clip in clips):
        most = max(clip.left_out for clip in clips)
        lines.append(
            f"Not heard: up to {counted(most, 'mode')} of a sound, shifted beyond what the sample rate carries."
        )
    return [prose(line, style="dim") for line in lines]
