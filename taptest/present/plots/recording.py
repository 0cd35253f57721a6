"""The picture of one recording: spectrum, how the tones fade, half-power widths and decays of the strongest modes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from taptest.core.errors import shown
from taptest.present.plots.picture import Drawing
from taptest.present.plots.ski import draw_close_up, draw_ring_down, draw_spectrum
from taptest.present.plots.style import FIT, INK, Margins, axes_of, dress, label, new_figure, octaves, plain_ticks
from taptest.present.text.tables import counted
from taptest.signal.analysis import Mode
from taptest.signal.spectrogram import DEPTH_DB, spectrogram
from taptest.signal.traces import MainTraces, SpectrumTrace, TapSound

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.gridspec import GridSpec

_SHADE = "#2f86c9"  # neither light nor dark: seen on white paper as well as on a black screen
_SHADES = 16  # 3 dB each: finer ones are not told apart and treble the size of the picture
_NAMED_WITHIN_DB = 22.0
_MARKED_APART = 1.3  # of frequency, in the spectrogram, and ...
_NAMED_APART = 1.12  # ... in the spectrum: closer ones would write their names over each other


def recording_drawing(traces: MainTraces, title: str, *, room_s: float | None = None) -> Drawing:
    """One recording. Draw within `style`, as `taptest.present.plots.picture.save_picture` does.

    Args:
        traces: from `taptest.signal.traces.main_traces`.
        title: of the picture; may be foreign text.
        room_s: reverberation time of the room, drawn beside the decays.
    """
    modes = traces.modes
    apart = _apart(traces.spectrum, [mode.frequency_hz for mode in modes])
    names = {at: f"{mode.frequency_hz:.0f}" if at in apart else "" for at, mode in enumerate(modes)}
    figure = new_figure(640, Margins(top=18))
    rows = figure.add_gridspec(4, max(len(traces.decays), 1), height_ratios=[1.5, 1.5, 1, 1], hspace=0.5, wspace=0.12)
    draw_spectrum(figure.add_subplot(rows[0, :]), traces.spectrum, modes, names, shown(title, 60))
    plot_fading(traces.tap, modes, figure.add_subplot(rows[1, :]))
    _strongest(figure, rows, traces, [f"{decay.mode.frequency_hz:.1f} Hz" for decay in traces.decays], room_s)
    return Drawing(figure, f"{shown(title, 200)}: {_in_words(traces, ', how its tones fade')}")


def spectrum_drawing(traces: MainTraces, names: Mapping[int, str], *, room_s: float | None = None) -> Drawing:
    """The same without how the tones fade, and with ``names`` of modes, "B3", by their numbers; others are strangers."""
    figure = new_figure(450, Margins(top=14))
    rows = figure.add_gridspec(3, max(len(traces.decays), 1), height_ratios=[1.5, 1, 1], hspace=0.5, wspace=0.12)
    draw_spectrum(figure.add_subplot(rows[0, :]), traces.spectrum, traces.modes, names)
    _strongest(figure, rows, traces, [names[traces.modes.index(decay.mode)] for decay in traces.decays], room_s)
    words = _in_words(traces)
    return Drawing(figure, f"{words[:1].upper()}{words[1:]}")


def _strongest(figure: Figure, rows: GridSpec, traces: MainTraces, names: Sequence[str], room_s: float | None) -> None:
    """Half-power widths and decays of the strongest modes, in the last two rows."""
    for column, (decay, name) in enumerate(zip(traces.decays, names, strict=True)):
        peak_db = traces.spectrum.peak_db[traces.modes.index(decay.mode)]
        axes = figure.add_subplot(rows[-2, column])
        draw_close_up(axes, traces.spectrum, decay.mode, peak_db, name, first=not column)
        axes = figure.add_subplot(rows[-1, column])
        draw_ring_down(axes, "", decay, room_s, first=not column)
        axes.tick_params(labelleft=not column)


def plot_fading(tap: TapSound, modes: Sequence[Mode], ax: Axes | None = None) -> Axes:
    """How the tones of one tap fade, as `spectrogram_panel` draws it."""
    axes = axes_of(ax, 190, Margins(top=6))
    return spectrogram_panel(axes, tap.samples, tap.sample_rate_hz, modes, contact_s=tap.contact_s)


def spectrogram_panel(
    ax: Axes, samples: np.ndarray, sample_rate_hz: float, modes: Sequence[Mode], *, contact_s: float = 0.0
) -> Axes:
    """How the tones of one tap fade: level over time and frequency, with the fitted modes marked. Draw within `style`.

    A line lies at the frequency of each mode, for as long as its fitted decay takes to fall by 60 dB; a dot ends it.

    Args:
        ax: axes to draw into.
        samples: (frames,) of one tap, such as those of `taptest.signal.traces.clearest_tap`.
        sample_rate_hz: of the samples.
        modes: fitted modes.
        contact_s: time of the contact from the first sample [s].

    Returns:
        The axes; their label says in words what they show.
    """
    frequencies = [mode.frequency_hz for mode in modes] or [50.0, 800.0]
    low_hz = min(frequencies) / 1.5
    high_hz = min(max(max(frequencies) * 1.3, low_hz + 40.0), 0.5 * sample_rate_hz)
    found = spectrogram(np.asarray(samples, dtype=np.float64), sample_rate_hz, low_hz=low_hz, high_hz=high_hz)
    time_s = found.time_s - contact_s
    dress(ax, x="after the contact, s", y="frequency, Hz", grid="")
    ax.set_yscale("log")
    ax.pcolormesh(
        time_s, found.frequencies_hz, found.level_db, cmap=_shades(), vmin=-DEPTH_DB, vmax=0, shading="nearest",
        rasterized=True, antialiased=False,
    )  # fmt: skip
    end = float(time_s[-1])
    named: list[Mode] = []
    for mode in sorted(modes, key=lambda mode: -mode.decay_time_s):
        until = min(mode.decay_time_s, end)
        ax.plot([0, until], [mode.frequency_hz] * 2, color=FIT, lw=0.9)
        if until < end:
            ax.plot([until], [mode.frequency_hz], color=FIT, marker="o", ms=3, mew=0, ls="")
        ratios = [mode.frequency_hz / other.frequency_hz for other in named]
        if all(max(ratio, 1 / ratio) > _MARKED_APART for ratio in ratios):
            named.append(mode)
            dx, dy, side = (4.0, -2.5, "left") if until < end else (0.0, 2.0, "right")
            text = f"{mode.frequency_hz:.0f}"
            label(ax, until, mode.frequency_hz, text, colour=INK, dx=dx, dy=dy, ha=side, fontsize=7.5)
    ax.set_xlim(float(time_s[0]), 1.05 * end)
    ax.set_ylim(float(found.frequencies_hz[0]), float(found.frequencies_hz[-1]))
    plain_ticks(ax, "y", octaves(*ax.get_ylim()))
    ax.set_label(
        f"How the tones of one tap fade: level over time and frequency, {DEPTH_DB:.0f} dB deep, with "
        f"{counted(len(modes), 'fitted mode')} marked for as long as each takes to fall by 60 dB."
    )
    return ax


def _shades() -> object:
    """From nothing to one colour, so that the page, light or dark, is the silence."""
    from matplotlib.colors import LinearSegmentedColormap, to_rgb

    return LinearSegmentedColormap.from_list("level", [(*to_rgb(_SHADE), 0.0), (*to_rgb(_SHADE), 1.0)], _SHADES)


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


def _in_words(traces: MainTraces, more: str = "") -> str:
    count = counted(len(traces.modes), "fitted resonance")
    strongest = "; ".join(
        f"{mode.frequency_hz:.1f} Hz, half-power width {mode.half_power_bandwidth_hz:.2f} Hz, 60 dB in {mode.decay_time_s:.2f} s"
        for mode in (decay.mode for decay in traces.decays)
    )
    return (
        f"mean spectrum of the good taps with {count} above the noise{more}, then close-ups and decays of the "
        f"strongest: {strongest or 'none'}."
    )
