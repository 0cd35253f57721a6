"""Room, bar and learned construction as pictures. Draw within `style`, as `taptest.present.plots.picture.save_picture` does."""

from __future__ import annotations

from taptest.calibrate.bar import BarResult
from taptest.calibrate.construction import LearnedConstruction
from taptest.calibrate.room import RoomResult
from taptest.core.errors import shown
from taptest.present.plots.picture import Drawing, KeyEntry, Layout
from taptest.present.plots.plots import BAND, FIT, GOOD, INK, NEAR, OUT, SOFT, VOID, dress, octaves, plain_ticks
from taptest.present.text.tables import counted

# How many decibels of a decay were fitted, by shape and colour.
_METHODS = {"T30": (GOOD, "o"), "T20": (NEAR, "^"), "T10": (OUT, "D")}
_ORDERS = 12


def room_drawing(result: RoomResult) -> Drawing:
    """Reverberation time of every octave band, and how far the claps stood above the silence."""
    known = [band for band in result.bands if band.reverberation_s is not None]
    layout = Layout(f"Room: {counted(result.decays, 'decay')} in {counted(len(result.recordings), 'recording')}")
    used = [name for name in _METHODS if any(band.method == name for band in known)]
    words = {name: f"{name}, fitted over {name[1:]} dB" for name in used}
    layout.key([KeyEntry(words[name], *_METHODS[name]) for name in used])
    (axes,) = layout.row(150)
    dress(axes, x="octave band, Hz", y="time to fall by 60 dB, s", title="Reverberation")
    axes.set_xscale("log")
    axes.plot([band.centre_hz for band in known], [band.reverberation_s or 0.0 for band in known], color=SOFT, lw=0.8)
    for band in known:
        time, u = band.reverberation_s or 0.0, band.reverberation_u_s or 0.0
        colour, marker = _METHODS[band.method]
        axes.plot([band.centre_hz] * 2, [time - u, time + u], color=colour, lw=1.3, marker="_", ms=6, mew=1.1)
        face = "none" if band.curved else colour
        axes.plot([band.centre_hz], [time], color=colour, marker=marker, mfc=face, ms=6, mew=1.1, ls="")
    axes.set_ylim(
        0, 1.15 * max([(band.reverberation_s or 0) + (band.reverberation_u_s or 0) for band in known], default=1.0)
    )
    (below,) = layout.row(110)
    dress(below, x="octave band, Hz", y="dB of full scale", title="Silence, and how far above it the decays start")
    below.set_xscale("log")
    for band in result.bands:
        ends = [band.noise_db, band.noise_db + (band.range_db or 0.0)]
        below.plot([band.centre_hz] * 2, ends, color=VOID, lw=5, solid_capstyle="butt")
        below.plot([band.centre_hz], [band.noise_db], color=INK, marker="_", ms=14, mew=1.6, ls="")
    centres = [band.centre_hz for band in result.bands]
    for each in (axes, below):
        each.set_xlim(centres[0] / 1.5, centres[-1] * 1.5)
        plain_ticks(each, "x", centres)
    lacking = [f"{band.centre_hz:.0f} Hz: {band.why_not}" for band in result.bands if band.why_not]
    note = (
        "± one standard uncertainty; hollow: the decay has more than one rate. A mode that decays no faster than this is the "
        "room's as much as the ski's."
    )
    layout.note(f"{note} {'; '.join(lacking)}" if lacking else note)
    told = ", ".join(f"{b.centre_hz:.0f} Hz {b.reverberation_s:.2f} s" for b in known)
    return layout.finish(f"Reverberation time of a room by octave bands: {told or 'none could be measured'}.")


def bar_drawing(result: BarResult) -> Drawing:
    """How far every mode lies off the ladder that size, mass and modulus predict, and how it is damped."""
    layout = Layout(shown(result.bar.name, 60))
    frequencies = [mode.frequency_hz for mode in result.modes]
    off = [mode.deviation_percent for mode in result.modes]
    shared = 100 * (result.common_factor - 1)
    (axes,) = layout.row(130)
    dress(
        axes, x="", y="off the prediction by, %", title="All modes against the prediction from size, mass and modulus"
    )
    reach = 100 * result.predicted_u_rel
    axes.axhspan(-reach, reach, color=BAND, lw=0)
    axes.axhline(0, color=SOFT, lw=0.9)
    axes.plot(frequencies, off, color=GOOD, marker="o", ms=5, mew=0, lw=0.8)
    axes.margins(y=0.15)
    layout.skip(-14)
    (rest,) = layout.row(110)
    dress(rest, x="", y="ppm", title=f"The same about what all share, {shared:+.3f} %")
    rest.axhline(0, color=SOFT, lw=0.9)
    for mode in result.modes:
        y = 1e6 * (mode.frequency_hz / mode.predicted_hz / result.common_factor - 1)
        u = 1e6 * mode.frequency_u_hz / mode.frequency_hz
        rest.plot([mode.frequency_hz] * 2, [y - u, y + u], color=GOOD, lw=1.3, marker="_", ms=5, mew=1.1)
        rest.plot([mode.frequency_hz], [y], color=GOOD, marker="o", ms=5, mew=0, ls="")
    rest.margins(y=0.15)
    layout.skip(-14)
    (damping,) = layout.row(110)
    dress(damping, x="frequency, Hz", y="damping, %", title="Damping")
    for mode in result.modes:
        y, u = 100 * mode.damping_ratio, 100 * mode.damping_ratio_u
        damping.plot([mode.frequency_hz] * 2, [y - u, y + u], color=FIT, lw=1.3, marker="_", ms=5, mew=1.1)
        damping.plot([mode.frequency_hz], [y], color=FIT, marker="s", ms=4.5, mew=0, ls="")
    damping.set_ylim(0, 1.25 * max(100 * (mode.damping_ratio + mode.damping_ratio_u) for mode in result.modes))
    for each in (axes, rest, damping):
        each.set_xscale("log")
        each.set_xlim(0.85 * frequencies[0], 1.18 * frequencies[-1])
        plain_ticks(each, "x", octaves(0.85 * frequencies[0], 1.18 * frequencies[-1]))
    layout.note(
        "Band: one standard uncertainty of the prediction, which moves all modes alike, as an error of the clock does. ± one "
        "standard uncertainty of each mode."
    )
    told = ", ".join(
        f"{mode.order}: {mode.frequency_hz:.2f} Hz, {mode.deviation_percent:+.3f} %" for mode in result.modes
    )
    return layout.finish(f"{shown(result.bar.name, 100)}: bending modes off their prediction. {told}.")


def construction_drawing(result: LearnedConstruction) -> Drawing:
    """How far every bending order was moved, and how well it is predicted with and without what was learnt."""
    orders = result.orders[:_ORDERS]
    layout = Layout(f"{shown(result.construction.name, 60)}, learnt from {counted(result.skis, 'ski')}")
    (axes,) = layout.row(140)
    dress(axes, x="", y="moved by, %", title=f"Every mode against {shown(result.base, 40)}")
    axes.axhline(0, color=SOFT, lw=0.9)
    for each in orders:
        y, u = 100 * (each.factor - 1), 100 * each.factor_u_rel
        axes.plot([each.order] * 2, [y - u, y + u], color=GOOD, lw=1.3, marker="_", ms=6, mew=1.1)
        face = GOOD if each.skis else "none"
        axes.plot([each.order], [y], color=GOOD, marker="o", mfc=face, ms=5.5, mew=1.1, ls="")
    axes.margins(y=0.15)
    layout.skip(-10)
    entries = [KeyEntry("predicted from the base", OUT, "D"), KeyEntry("each ski from the others", GOOD, "o")]
    layout.key([*entries, KeyEntry("stated in the file", SOFT, "_")])
    (errors,) = layout.row(130)
    dress(errors, x="bending mode", y="error, %", title="Error of the prediction, root mean square")
    for each in orders:
        errors.plot([each.order - 0.3, each.order + 0.3], [each.u_percent] * 2, color=SOFT, lw=2.2)
        for value, colour, marker in ((each.base_error_percent, OUT, "D"), (each.error_percent, GOOD, "o")):
            if value is not None:
                errors.plot([each.order], [value], color=colour, marker=marker, ms=5, mew=0, ls="")
    errors.set_ylim(bottom=0)
    for axes_ in (axes, errors):
        axes_.set_xlim(0.4, len(orders) + 0.6)
        plain_ticks(axes_, "x", [float(each.order) for each in orders])
    layout.note(
        "± one standard uncertainty; hollow: heard in no ski, from the other modes. Stated: one standard uncertainty that the "
        "file claims for a new ski, rig and balance included."
    )
    told = ", ".join(f"{each.order}: {100 * (each.factor - 1):+.1f} %" for each in orders)
    return layout.finish(
        f"{shown(result.construction.name, 100)}: how far each bending mode was moved: {told}. Error "
        f"{result.error_percent:.2f} % where the base has {result.base_error_percent:.2f} %."
    )
