"""The picture of one recording: spectrum, how the tones fade, half-power widths and decays of the strongest modes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from taptest.core.errors import shown
from taptest.present.plots.picture import Drawing
from taptest.present.plots.ski import draw_close_up, draw_ring_down, draw_spectrum
from taptest.present.plots.style import FIT, INK, Margins, dress, label, new_figure, octaves, plain_ticks
from taptest.present.text.tables import counted
from taptest.signal.analysis import Mode
from taptest.signal.spectrogram import DEPTH_DB, spectrogram
from taptest.signal.traces import MainTraces, SpectrumTrace

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_HEIGHT_PT = 640.0
_SHADE = "#2f86c9"  # neither light nor dark: seen on white paper as well as on a black screen
_NAMED_WITHIN_DB = 22.0
_NAMED_APART = 1.2  # of frequency: closer ones would write their names over each other


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
    rows = figure.add_gridspec(4, max(len(traces.decays), 1), height_ratios=[1.5, 1.5, 1, 1], hspace=0.5, wspace=0.12)
    labels = {at: name if at in apart else "" for at, name in names.items()}
    draw_spectrum(figure.add_subplot(rows[0, :]), spectrum, modes, labels, shown(title, 60))
    tap = traces.tap
    axes = figure.add_subplot(rows[1, :])
    spectrogram_panel(axes, tap.samples, tap.sample_rate_hz, modes, contact_s=tap.contact_s)
    for column, decay in enumerate(traces.decays):
        at = modes.index(decay.mode)
        name = f"{decay.mode.frequency_hz:.1f} Hz"
        draw_close_up(
            figure.add_subplot(rows[2, column]), spectrum, modes[at], spectrum.peak_db[at], name, first=not column
        )
        axes = figure.add_subplot(rows[3, column])
        draw_ring_down(axes, "", decay, room_s, first=not column)
        axes.tick_params(labelleft=not column)
    return Drawing(figure, _in_words(traces, title))


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
    low_hz, high_hz = max(min(frequencies) / 1.5, 15.0), min(max(frequencies) * 1.3, 0.5 * sample_rate_hz)
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
        if all(max(ratio, 1 / ratio) > _NAMED_APART for ratio in ratios):
            named.append(mode)
            label(
                ax,
                min(until, 0.97 * end),
                mode.frequency_hz,
                f"{mode.frequency_hz:.0f}",
                colour=INK,
                dx=4,
                dy=-2.5,
                fontsize=7.5,
            )
    ax.set_xlim(float(time_s[0]), 1.04 * end)
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

    return LinearSegmentedColormap.from_list("level", [(*to_rgb(_SHADE), 0.0), (*to_rgb(_SHADE), 1.0)])


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
        f"{shown(title, 200)}: mean spectrum of the good taps with {count} above the noise, how its tones "
        f"fade, then close-ups and decays of the "
        f"strongest: {strongest or 'none'}."
    )
