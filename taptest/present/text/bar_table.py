"""A tapped reference bar, for a terminal."""

from pathlib import Path

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.calibrate.bar import BarResult
from taptest.calibrate.linearity import RingDown
from taptest.core.errors import shown
from taptest.present.text.room_table import kept
from taptest.present.text.tables import counted, hanging, number, pinned, prose, ruled_table, with_u

_LEGEND = (
    "predicted: from size, mass and modulus in the bar's file, with shear and rotary inertia; off by: measured against it; "
    "fades: change of frequency and of damping from the louder half of the ring-down to the fainter one; ± one standard "
    "uncertainty."
)


def bar_view(result: BarResult, stored: Path | None, width: int) -> Group:
    """The ladder, and a line each for modulus, shape, clock, microphone and ring-down."""
    headings = [
        ("mode", "right"),
        ("measured\nHz", "right"),
        ("predicted\nHz", "right"),
        ("off by\n%", "right"),
        ("damping\n%", "right"),
        ("level\ndB", "right"),
        ("taps", "right"),
        ("fades\nppm", "right"),
        ("\n%", "right"),
    ]
    table = ruled_table(width, headings)
    decays = {each.order: each for each in result.ring_downs}
    for mode in result.modes:
        decay = decays.get(mode.order)
        table.add_row(
            str(mode.order),
            with_u(mode.frequency_hz, mode.frequency_u_hz, 3),
            number(mode.predicted_hz, 2),
            number(mode.deviation_percent, 3, sign=True),
            number(100 * mode.damping_ratio, 4),
            number(mode.level_db, 0),
            f"{mode.taps}/{result.taps}",
            "-"
            if decay is None
            else f"{1e6 * decay.frequency_change_rel:+.0f} ±{1e6 * decay.frequency_change_u_rel:.0f}",
            "-" if decay is None else f"{100 * decay.damping_change_rel:+.1f} ±{100 * decay.damping_change_u_rel:.1f}",
        )
    lines = [
        ("modulus", "bold", _modulus(result)),
        ("shape", "bold", _shape(result)),
        ("clock", "bold", _clock(result)),
        ("microphone", "bold", _reach(result)),
        ("ring-down", "bold", _linearity(result.ring_downs)),
        kept(stored),
    ]
    parts: list[RenderableType] = [
        Text(shown(result.bar.name, 100), style="bold"),
        Text(),
        pinned(table, width),
        Text(),
    ]
    return Group(*parts, prose(_LEGEND, style="dim"), Text(), hanging(lines))


def _modulus(result: BarResult) -> str:
    gpa = with_u(result.modulus_pa / 1e9, result.modulus_u_pa / 1e9, 2)
    file = with_u(result.bar.modulus_pa / 1e9, result.bar.u.get("modulus_pa", 0.0) / 1e9, 2)
    standard = (
        "the first mode was not heard, so the formula of ASTM E1876 says nothing"
        if result.standard_modulus_pa is None
        else f"{result.standard_modulus_pa / 1e9:.2f} GPa by the formula of ASTM E1876 from the first mode"
    )
    return f"{gpa} GPa from {counted(len(result.modes), 'mode')}; {file} GPa in the file; {standard}."


def _shape(result: BarResult) -> str:
    return (
        f"the ratios of the modes alone say thickness over length {result.slenderness:.4f}, the file says "
        f"{result.bar.slenderness:.4f}; no mode is off that ladder by more than {max(result.ladder_off_percent, 0.001):.3f} %."
    )


def _clock(result: BarResult) -> str:
    clock = result.clock
    off = f"{100 * (1 / clock.factor - 1):+.3f} % ±{100 * clock.u_rel:.3f} %"
    if clock.separable:
        return f"frequencies read {off} off; told from {clock.basis}. 'check' corrects it if it is sure."
    return f"not told: all modes read {off} off; {clock.basis}."


def _reach(result: BarResult) -> str:
    reach = result.reach
    text = f"lowest mode heard {reach.lowest_hz:.1f} Hz"
    if reach.missed_orders:
        missed = ", ".join(str(order) for order in reach.missed_orders)
        text += f", mode {missed} below it not (a tap or microphone at a node, or the microphone's reach)"
    if reach.slope_db_per_octave is not None:
        text += f"; levels rise by {reach.slope_db_per_octave:.0f} dB an octave below 400 Hz, what the bar radiates included"
    return f"{text}."


def _linearity(decays: tuple[RingDown, ...]) -> str:
    if not decays:
        return "not told: it takes two good taps and a mode that falls by 16 dB and more above the noise."
    odd = [str(each.order) for each in decays if not each.linear]
    if not odd:
        return "linear: frequency and damping stay as the ring fades, as far as can be told."
    return (
        f"mode {', '.join(odd)} changes as it fades: something rubs or is loose (the loops, a cable), the blow was hard, or the "
        "recorder moves its gain."
    )
