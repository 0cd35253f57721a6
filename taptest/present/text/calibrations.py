"""Room, bar, loops and learnt constructions, for a terminal; `view` shows a calibration, a study or a plan of any kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import pi
from typing import Any

from rich.console import Group

from taptest.calibrate.bar import BarMode, BarResult
from taptest.calibrate.linearity import RingDown
from taptest.calibrate.room import BandDecay, RoomResult
from taptest.calibrate.suspension import LoopBias, SuspensionAdvice
from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.core.fields import Field
from taptest.learn.construction import LearnedConstruction, LearnedOrder, LeftOut
from taptest.present.json.calibrations import BAND, BAR_MODE, LEARNED_ORDER, LOOP, MISPLACED
from taptest.present.text.studies import drift_view, plan_view, repeatability_view, temperature_view
from taptest.present.text.tables import (
    blocks,
    counted,
    fields_table,
    hanging,
    heading,
    lines,
    prose,
    with_u,
)

_ORDERS = 10
_WELL, _BARELY = 0.8, 0.3
_LN_1000 = 6.9078
_ROOM = (
    "reverberation: time to fall by 60 dB, ± one standard uncertainty; from: range that was fitted, T30 over 30 dB; "
    "above noise: of the decays; noise: of the silence, in dB of full scale; hides: damping above this, in percent of "
    "critical, cannot be separated from the room in the middle of the band."
)
_SHORT = "T10 is less than the standard asks for (20 dB at least); louder claps or a quieter hour give more."
_CURVED = "falls fast first and slowly later: two rooms or a corridor; the time is between both."
_BAR = (
    "predicted: from size, mass and modulus in the bar's file, with shear and rotary inertia; off by: measured against it; "
    "fades: change of frequency and of damping from the louder half of the ring-down to the fainter one; ± one standard "
    "uncertainty."
)
_LOOPS = (
    "shift: of frequency by the loops; adds: damping they add, as a share of critical, of which a ski has 0.5 to 2 % itself; "
    "compromise: loops for which the most that is added to any of these modes is least."
)
_LEARNED = (
    "skis: in how many it was heard; moved: the base's prediction by this, ± one standard uncertainty (where no ski had the "
    "mode, from the others); error: root mean square, each ski predicted from the others; base: the same, predicted from the "
    "base; stated: one standard uncertainty that the file claims for a new ski, rig and balance included."
)


def view(kind: str, result: object, stored: str, width: int) -> Group:
    """A result for a terminal, with the place where it was ``stored`` if that is to be said."""
    return VIEWS[kind](result, {"stored": shown(stored, 200)} if stored else {}, width)


def room_view(result: RoomResult, kept: Mapping[str, str], width: int) -> Group:
    """Table of bands, what it means for damping, and hum."""
    columns = (*BAND, Field[BandDecay]("hides", _hidden_percent, heading="hides\n%", decimals=2))
    remarks = {f"{band.centre_hz:.0f} Hz": f"{band.why_not}." for band in result.bands if band.why_not}
    curved = {f"{band.centre_hz:.0f} Hz": _CURVED for band in result.bands if band.curved}
    short = {"T10": _SHORT} if any(band.method == "T10" for band in result.bands) else {}
    return blocks(
        fields_table(columns, result.bands, width),
        prose(_ROOM, style="dim"),
        hanging([(name, "yellow", text) for each in (remarks, curved, short) for name, text in each.items()]),
        lines({"heard": _heard(result), "hum": _hum(result), **kept}),
    )


def _hidden_percent(band: BandDecay) -> float | None:
    """Damping of a mode that decays in LIMITS.room.factor times the room's time: zeta = ln 1000/(2 pi f T)."""
    if band.reverberation_s is None:
        return None
    return 100 * _LN_1000 / (2 * pi * band.centre_hz * LIMITS.room.factor * band.reverberation_s)


def _heard(result: RoomResult) -> str:
    places = counted(len(result.recordings), "recording")
    return f"{counted(result.decays, 'decay')} in {places}"


def _hum(result: RoomResult) -> str:
    if result.hum is None:
        return "none found"
    lines = zip(result.hum.lines_hz, result.hum.levels_db, strict=True)
    return f"mains of {result.hum.fundamental_hz:.2f} Hz: " + ", ".join(f"{hz:.0f} Hz {db:.0f} dB" for hz, db in lines)


def bar_view(result: BarResult, kept: Mapping[str, str], width: int) -> Group:
    """The ladder, and a line each for modulus, shape, clock, microphone and ring-down."""
    decays = {each.order: each for each in result.ring_downs}

    def fades(change: str, times: float, decimals: int) -> Callable[[BarMode], str]:
        def text(mode: BarMode) -> str:
            if (decay := decays.get(mode.order)) is None:
                return "-"
            moved, u = (times * getattr(decay, f"{change}_change_{end}") for end in ("rel", "u_rel"))
            return f"{moved:+.{decimals}f} ±{u:.{decimals}f}"

        return text

    columns = (
        *BAR_MODE,
        Field[BarMode]("off_by", lambda mode: mode.deviation_percent, heading="off by\n%", decimals=3, sign=True),
        Field[BarMode]("heard", lambda mode: f"{mode.taps}/{result.taps}", "text", heading="taps", align="right"),
        Field[BarMode]("fades_ppm", fades("frequency", 1e6, 0), "text", heading="fades\nppm", align="right"),
        Field[BarMode]("fades_percent", fades("damping", 100, 1), "text", heading="\n%", align="right"),
    )
    keys = ("order", "frequency_hz", "predicted_hz", "off_by", "damping_ratio", "level_db", "heard", "fades_ppm")
    return blocks(
        heading(shown(result.bar.name, 100)),
        fields_table(columns, result.modes, width, keys=(*keys, "fades_percent")),
        prose(_BAR, style="dim"),
        lines(
            {
                "modulus": _modulus(result),
                "shape": _shape(result),
                "clock": _clock(result),
                "microphone": _reach(result),
                "ring-down": _linearity(result.ring_downs),
                **kept,
            }
        ),
    )


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
        return f"frequencies read {off} off, from the {clock.basis}. 'check' corrects more than two uncertainties."
    return f"error cannot be determined from this bar: all modes read {off} off; {clock.basis}."


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
        return "unknown: two good taps are needed, and a mode that falls by 16 dB or more above the noise."
    odd = [str(each.order) for each in decays if not each.linear]
    if not odd:
        return "linear: frequency and damping stay the same as the ring fades, within the uncertainty."
    return (
        f"mode {', '.join(odd)} changes as it fades: something rubs or is loose (the loops, a cable), the blow was hard, or the "
        "recorder moves its gain."
    )


def suspension_view(advice: SuspensionAdvice, kept: Mapping[str, str], width: int) -> Group:
    """Places, what the loops do to each mode, and what a misplaced pair does to the first."""
    other = {each.order: each for each in advice.spread_biases}
    columns = (
        *LOOP,
        Field[LoopBias](
            "else_shift", lambda loop: 100 * other[loop.order].shift_rel, heading="compromise\nshift %", decimals=3
        ),
        Field[LoopBias](
            "else_adds", lambda loop: 100 * other[loop.order].damping_added, heading="\nadds %", decimals=3
        ),
    )
    return blocks(
        lines(_places(advice)),
        fields_table(columns, advice.biases, width),
        prose(_LOOPS, style="dim"),
        Group(
            heading("Loops beside the nodes of the first mode (+ further in)"),
            fields_table(MISPLACED, advice.misplaced, width),
        ),
        hanging([("note", "yellow", f"{note}.") for note in advice.notes]),
    )


def _places(advice: SuspensionAdvice) -> dict[str, str]:
    bounce = advice.bounce
    first = " assumed" if advice.first_assumed else ""
    now = {} if advice.loops_m == advice.nodes_m else {"loops now": _pair(advice.loops_m, advice.length_m)}
    return {
        "nodes": f"{_pair(advice.nodes_m, advice.length_m)}: there the first mode stands still",
        "compromise": f"{_pair(advice.spread_m, advice.length_m)}: least for all modes together",
        **now,
        "bounce": f"{bounce.frequency_hz:.1f} Hz, {bounce.origin}, damping {100 * bounce.damping_ratio:.0f} % of critical; "
        f"first mode {advice.first_hz:.1f} Hz{first}",
        "balance": f"{1000 * advice.balance_m:.0f} mm from the tail: the tail loop carries {100 * advice.tail_load:.0f} % of "
        "the weight",
    }


def _pair(places_m: tuple[float, float], length_m: float) -> str:
    tail, tip = places_m
    return (
        f"{1000 * tail:.0f} mm from the tail and {1000 * (length_m - tip):.0f} mm from the tip "
        f"({tail / length_m:.3f} and {1 - tip / length_m:.3f} of the length)"
    )


def construction_view(result: LearnedConstruction, kept: Mapping[str, str], width: int) -> Group:
    """Modes, the skis left out, how well it predicts, what is known of the profile, and where everything is."""
    columns = (
        *LEARNED_ORDER,
        Field[LearnedOrder]("heard", lambda order: order.skis or None, "integer", heading="skis"),
        Field[LearnedOrder](
            "moved", lambda o: 100 * (o.factor - 1), heading="moved\n%", decimals=1, sign=True, u="moved_u"
        ),
        Field[LearnedOrder]("moved_u", lambda order: 100 * order.factor_u_rel),
    )
    keys = ("order", "heard", "moved", "error_percent", "base_error_percent", "stated_u_percent")
    left_out = [_left_out(each, len(result.lots)) for each in result.left_out]
    return blocks(
        fields_table(columns, result.orders[:_ORDERS], width, keys=keys),
        prose(_LEARNED, style="dim"),
        Group(heading("Left out"), hanging(left_out)) if left_out else None,
        lines(
            {
                "learnt from": f"{counted(result.skis, 'ski')} of {', '.join(shown(lot, 60) for lot in result.lots)}",
                "scatter": _scatter(result),
                "prediction": _prediction(result),
                "profile": _profile(result),
                "written": f"{shown(result.written, 200)}; name it in the column construction, from the table's folder",
                **kept,
            }
        ),
    )


def _left_out(ski: LeftOut, lots: int) -> tuple[str, str, str]:
    where = f" ({shown(ski.lot, 60)})" if lots > 1 else ""
    why = ski.why.rstrip(".")
    return shown(ski.ski_id), "bold", f"{why[:1].upper()}{why[1:]}{where}."


def _scatter(result: LearnedConstruction) -> str:
    return (
        f"{result.shared_percent:.2f} % in what all modes of a ski share (rig, balance and build), {result.uneven_percent:.2f} % "
        "in single modes"
    )


def _prediction(result: LearnedConstruction) -> str:
    verdict = (
        f"error {result.error_percent:.2f} %, against {result.base_error_percent:.2f} % with {shown(result.base, 60)}"
    )
    if result.error_percent > 0.9 * result.base_error_percent:
        verdict += ": hardly better, the base is as good"
    once = ""
    if len(result.lots) == 1:
        once = "; one lot says nothing about another day, another rig or another production"
    return f"{verdict}; {result.cover_percent:.0f} % of the modes within 1.96 stated uncertainties (95 expected){once}"


def _profile(result: LearnedConstruction) -> str:
    """How well the modes fix the smooth changes of the profile."""
    told = [
        f"{each.name} {with_u(each.amount, each.amount_u, 2, sign=True)}, {_how_well(each.determined)}"
        for each in result.shapes
    ]
    return f"{'changed' if result.reshaped else 'left as it is; the modes ask for'}: {'; '.join(told)}"


def _how_well(determined: float) -> str:
    words = "well" if determined >= _WELL else "partly" if determined >= _BARELY else "hardly"
    return f"{words} determined ({100 * max(determined, 0.0):.0f} %)"


VIEWS: dict[str, Callable[[Any, Mapping[str, str], int], Group]] = {
    "room": room_view,
    "bar": bar_view,
    "suspension": suspension_view,
    "construction": construction_view,
    "repeatability": repeatability_view,
    "drift": drift_view,
    "temperature": temperature_view,
    "plan": plan_view,
}
