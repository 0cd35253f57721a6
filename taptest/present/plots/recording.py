"""The picture of one recording: spectrum, half-power widths and decays of the strongest modes."""

from __future__ import annotations

from collections.abc import Sequence

from taptest.core.errors import shown
from taptest.present.plots.picture import Drawing
from taptest.present.plots.plots import Margins, new_figure
from taptest.present.plots.ski import draw_close_up, draw_ring_down, draw_spectrum
from taptest.present.text.tables import counted
from taptest.signal.traces import MainTraces, SpectrumTrace

_HEIGHT_PT = 450.0
_NAMED_WITHIN_DB = 22.0
_NAMED_APART = 1.12  # of frequency: closer ones would write their names over each other


def recording_drawing(traces: MainTraces, title: str, *, room_s: float | None = None) -> Drawing:
    """One recording. Draw within `style`, as `taptest.present.plots.picture.save_picture` does.

    Args:
        traces: from `taptest.signal.traces.main_traces`.
        title: of the picture; may be foreign text.
        room_s: reverberation time of the room, drawn beside the decays.
    """
    spectrum, modes = traces.spectrum, traces.modes
    names = {at: f"{mode.frequency_hz:.0f}" for at, mode in enumerate(modes)}
    apart = _apart(spectrum, [mode.frequency_hz for mode in modes])
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
    return Drawing(figure, _in_words(traces, title))


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
