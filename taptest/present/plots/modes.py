"""Pictures of modes: those heard in a recording over its spectrum, and those that are predicted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from taptest.core.errors import shown
from taptest.identify.predicted import LotPrediction, PredictedSki
from taptest.present.plots.style import INK, LINES, SOFT, axes_of, dress, nothing
from taptest.present.text.tables import counted
from taptest.signal.analysis import Analysis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_LINES = 60


def plot_analysis(analysis: Analysis, ax: Axes | None = None) -> Axes:
    """Spectrum of the good taps, where the recording was kept, with every mode marked at its frequency and level."""
    axes = axes_of(ax, 240)
    if not analysis.modes:
        return nothing(axes, "No mode was heard.")
    dress(axes, x="frequency, Hz", y="level, dB", title=shown(analysis.path, 60))
    low, high = 0.8 * analysis.modes[0].frequency_hz, 1.15 * analysis.modes[-1].frequency_hz
    trace = None if analysis.recording is None else analysis.spectrum(max(low, 5.0), high)
    if trace is not None:
        axes.plot(*trace.thinned(900), color=SOFT, lw=0.8)
    levels = [mode.level_db for mode in analysis.modes] if trace is None else list(trace.peak_db)
    axes.plot([mode.frequency_hz for mode in analysis.modes], levels, color=LINES[0][0], marker="v", ms=4.5, ls="")
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    told = ", ".join(f"{mode.frequency_hz:.1f} Hz" for mode in analysis.modes)
    axes.set_label(f"Spectrum of the good taps with {counted(len(analysis.modes), 'fitted mode')}: {told}.")
    return axes


def plot_prediction(ski: PredictedSki, ax: Axes | None = None) -> Axes:
    """Predicted bending modes of one ski by order, with two standard uncertainties; torsion beside them where it is known."""
    axes = dress(axes_of(ax, 220), x="order", y="frequency, Hz", title=shown(ski.ski_id or ski.construction.name, 60))
    bending = ski.prediction.bending_hz
    orders = range(1, len(bending) + 1)
    u = [2 * ski.prediction.u_hz(order) for order in orders]
    axes.errorbar(orders, bending, yerr=u, color=LINES[0][0], marker=LINES[0][1], ms=4.5, lw=1.0, label="bending")
    if ski.prediction.torsion_hz is not None:
        torsion = ski.prediction.torsion_hz
        axes.plot(
            range(1, len(torsion) + 1), torsion, color=LINES[1][0], marker=LINES[1][1], ms=4.5, lw=1.0, label="torsion"
        )
        axes.legend(frameon=False, labelcolor=INK)
    told = ", ".join(f"{order}: {hz:.1f} Hz" for order, hz in zip(orders, bending, strict=True))
    axes.set_label(f"Predicted bending modes with two standard uncertainties: {told}.")
    return axes


def plot_predictions(result: LotPrediction, ax: Axes | None = None) -> Axes:
    """Predicted bending modes of every ski of a lot, a line a ski."""
    axes = axes_of(ax, 240)
    if not result.skis:
        return nothing(axes, "No ski can be predicted.")
    dress(axes, x="order", y="frequency, Hz")
    for ski in result.skis[:_MOST_LINES]:
        hz = ski.prediction.bending_hz
        axes.plot(range(1, len(hz) + 1), hz, color=SOFT, lw=0.8, marker="o", ms=2.5)
    axes.set_label(f"Predicted bending modes of {counted(len(result.skis), 'ski')} by order, a line a ski.")
    return axes
