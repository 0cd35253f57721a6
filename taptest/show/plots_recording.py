"""The picture of one recording, as a file: spectrum, half-power widths and decays of the strongest modes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from taptest.errors import ReportError, shown
from taptest.show.plots import Margins, new_figure, style, write_picture
from taptest.show.plots_ski import draw_close_up, draw_ring_down, draw_spectrum
from taptest.show.tables import counted
from taptest.sound.traces import MainTraces, SpectrumTrace

ENDINGS = (".svg", ".png")

_HEIGHT_PT = 450.0
_NAMED_WITHIN_DB = 22.0
_NAMED_APART = 1.12  # of frequency: closer ones would write their names over each other


def check_picture_name(path: Path) -> None:
    """Raise where no picture can be written, before anything is worked out.

    Raises:
        ReportError: another ending, a folder, or no such folder.
    """
    name = shown(path, 200)
    if path.suffix.lower() not in ENDINGS:
        raise ReportError(f"{name}: pictures are written as .svg or .png; end the name with one of these")
    if path.is_dir():
        raise ReportError(f"{name}: is a folder; name a file in it")
    if not path.parent.is_dir():
        raise ReportError(f"{name}: there is no folder {shown(path.parent, 200)}; make it, or choose another")


def write_recording_picture(traces: MainTraces, title: str, path: Path, *, room_s: float | None = None) -> None:
    """Draw one recording into an SVG, which follows light and dark, or a PNG; a picture of that name is replaced.

    Args:
        traces: from `taptest.sound.traces.main_traces`.
        title: of the picture; may be foreign text.
        path: ending in .svg or .png.
        room_s: reverberation time of the room, drawn beside the decays.

    Raises:
        ReportError: it cannot be written.
    """
    check_picture_name(path)
    spectrum, modes = traces.spectrum, traces.modes
    names = {at: f"{mode.frequency_hz:.0f}" for at, mode in enumerate(modes)}
    apart = _apart(spectrum, [mode.frequency_hz for mode in modes])
    with style():
        figure = new_figure(_HEIGHT_PT, Margins(top=18))
        rows = figure.add_gridspec(3, max(len(traces.decays), 1), height_ratios=[1.5, 1, 1], hspace=0.5, wspace=0.12)
        labels = {at: name if at in apart else "" for at, name in names.items()}
        draw_spectrum(figure.add_subplot(rows[0, :]), spectrum, modes, labels, shown(title, 60))
        for column, decay in enumerate(traces.decays):
            at = modes.index(decay.mode)
            name = f"{decay.mode.frequency_hz:.1f} Hz"
            draw_close_up(
                figure.add_subplot(rows[1, column]), spectrum, modes[at], spectrum.peak_db[at], name, first=not column
            )
            axes = figure.add_subplot(rows[2, column])
            draw_ring_down(axes, "", decay, room_s, first=not column)
            axes.tick_params(labelleft=not column)
        try:
            write_picture(figure, str(path), _in_words(traces, title))
        except OSError as problem:
            raise ReportError(
                f"{shown(path, 200)}: cannot be written ({problem.strerror}); check the folder and the disk"
            ) from None


def _apart(spectrum: SpectrumTrace, frequencies_hz: Sequence[float]) -> set[int]:
    """Indices of the modes whose names fit beside each other and above the measured line, the highest peaks first."""
    chosen: list[int] = []
    lowest_db = max(spectrum.peak_db, default=0.0) - _NAMED_WITHIN_DB
    high = [at for at, peak_db in enumerate(spectrum.peak_db) if peak_db > lowest_db]
    for at in sorted(high, key=lambda each: -spectrum.peak_db[each]):
        ratios = [frequencies_hz[at] / frequencies_hz[other] for other in chosen]
        if all(max(ratio, 1 / ratio) > _NAMED_APART for ratio in ratios):
            chosen.append(at)
    return set(chosen)


def _in_words(traces: MainTraces, title: str) -> str:
    strongest = "; ".join(
        f"{mode.frequency_hz:.1f} Hz, half-power width {mode.half_power_bandwidth_hz:.2f} Hz, 60 dB in {mode.decay_time_s:.2f} s"
        for mode in (decay.mode for decay in traces.decays)
    )
    count = counted(len(traces.modes), "fitted resonance")
    return (
        f"{shown(title, 200)}: mean spectrum of the good taps with {count} above the noise, then close-ups and decays of the "
        f"strongest: {strongest or 'none'}."
    )
