"""Predicted modes of one ski or of a lot, for a terminal."""

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.beam.predict import FrequencyChange, what_if
from taptest.core.errors import shown
from taptest.identify.predicted import LotPrediction, PredictedSki
from taptest.present.text.tables import hanging, heading, name, note, number, pinned, prose, ruled_table, with_u
from taptest.signal.pitch import note_name

_ORDERS_NARROW, _ORDERS_WIDE = 5, 8
_COLUMN = 11


def ski_view(ski: PredictedSki, width: int) -> Group:
    """Orders of one ski: bending, torsion, what a change does, and the rule of thumb for one percent."""
    parts: list[RenderableType] = [heading(f"{shown(ski.construction.name, 100)}, {_measured(ski)}"), Text()]
    parts += [_bending_table(ski, width), Text()]
    if ski.prediction.torsion_hz is None:
        parts.append(prose("The construction says nothing about torsion, so none is predicted."))
    else:
        parts.append(_torsion_table(ski.prediction.torsion_hz, width))
    parts += [Text(), hanging(_one_percent(ski)), Text(), prose(_LEGEND, style="dim")]
    return Group(*parts, *_warnings([ski]))


_LEGEND = (
    "± one standard uncertainty, from stiffness, mass and the assumed shape of the construction. "
    "Bending orders count from the lowest tone; torsion twists the ski and lies in between."
)


def lot_view(result: LotPrediction, width: int) -> Group:
    """One line a ski with as many bending modes as fit, and below it what a change makes of them."""
    if not result.skis:
        return Group(Text("No ski of this table can be predicted."))
    orders = max(min((width - 16) // _COLUMN, _ORDERS_WIDE), _ORDERS_NARROW)
    headings = [("ski", "fold"), *((f"mode {order}\n    Hz note", "left") for order in range(1, orders + 1))]
    table = ruled_table(width, headings)
    for ski in result.skis:
        table.add_row(name(ski.ski_id), *(_tone_cell(hz) for hz in ski.prediction.bending_hz[:orders]))
        if ski.effect is not None:
            table.add_row(Text("  changed", "dim"), *(_tone_cell(hz) for hz in ski.effect.after.bending_hz[:orders]))
            moved = zip(ski.effect.percent[:orders], ski.effect.cents[:orders], strict=True)
            table.add_row(
                Text("  by", "dim"), *(Text(f"{percent:+.1f}% {cents:+.0f}c", "dim") for percent, cents in moved)
            )
    legend = "Bending modes. Standard uncertainty of a frequency:"
    lines = [(shown(ski.construction.stem), "", _uncertainties(ski, orders)) for ski in _one_each(result)]
    parts: list[RenderableType] = [pinned(table, width), Text(), prose(legend), hanging(lines, indent=2)]
    if result.skis[0].effect is not None:
        parts += [prose(f"changed: {_change(result.skis[0])}; c: cents, of which an octave has 1200.", style="dim")]
    return Group(*parts, *_warnings(result.skis))


def _measured(ski: PredictedSki) -> str:
    given = ski.measurements
    text = (
        f"{1e3 * given.length_m:.0f} mm, {1e3 * given.mass_kg:.0f} g, "
        f"{1e-3 * given.stiffness_n_per_m:.3g} N/mm at a span of {1e3 * given.span_m:.0f} mm"
    )
    return f"{text}, binding {1e3 * given.binding_mass_kg:.0f} g of it" if given.binding_mass_kg else text


def _bending_table(ski: PredictedSki, width: int) -> RenderableType:
    headings = [("bending", "right"), ("frequency\nHz", "right"), ("note\ncents", "left")]
    effect = ski.effect
    if effect is not None:
        headings += [("changed\nHz", "right"), ("note\ncents", "left"), ("by\n%", "right"), ("by\ncents", "right")]
    table = ruled_table(max(width, 100), headings)
    for order, frequency_hz in enumerate(ski.prediction.bending_hz, 1):
        cells = [str(order), with_u(frequency_hz, ski.prediction.u_hz(order), 1), note(note_name(frequency_hz))]
        if effect is not None:
            after_hz, percent, cents = (
                each[order - 1] for each in (effect.after.bending_hz, effect.percent, effect.cents)
            )
            cells += [
                number(after_hz, 1),
                note(note_name(after_hz)),
                number(percent, 2, sign=True),
                number(cents, 0, sign=True),
            ]
        table.add_row(*cells)
    return pinned(table, width)


def _torsion_table(frequencies_hz: tuple[float, ...], width: int) -> RenderableType:
    table = ruled_table(max(width, 100), [("torsion", "right"), ("frequency\nHz", "right"), ("note\ncents", "left")])
    for order, frequency_hz in enumerate(frequencies_hz, 1):
        table.add_row(str(order), number(frequency_hz, 1), note(note_name(frequency_hz)))
    return pinned(table, width)


def _one_percent(ski: PredictedSki) -> list[tuple[str, str, str]]:
    lines = []
    if ski.effect is not None:
        lines.append(("changed", "bold", f"{_change(ski)}: {_span(ski.effect)}"))
    for what, percent in (("mass", 1.0), ("mass", -1.0), ("stiffness", 1.0), ("stiffness", -1.0)):
        effect = what_if(
            ski.construction,
            ski.measurements,
            mass_percent=percent if what == "mass" else 0.0,
            stiffness_percent=percent if what == "stiffness" else 0.0,
            bending_orders=len(ski.prediction.bending_hz),
        )
        lines.append((f"{what} {percent:+.0f} %", "bold", _span(effect)))
    return lines


def _span(effect: FrequencyChange) -> str:
    """How far the modes move: one number where all move alike, otherwise the least and the most."""
    percents = sorted({f"{percent:+.2f}" for percent in effect.percent}, key=float)
    cents = sorted({f"{cents:+.1f}" for cents in effect.cents}, key=float)
    if len(percents) == 1:
        return f"every bending mode by {percents[0]} % ({cents[0]} cents)"
    return f"bending modes by {percents[0]} to {percents[-1]} % ({cents[0]} to {cents[-1]} cents)"


def _change(ski: PredictedSki) -> str:
    parts = [
        f"{what} {percent:+g} %"
        for what, percent in (("mass", ski.change.mass_percent), ("stiffness", ski.change.stiffness_percent))
        if percent
    ]
    binding = (
        " (of the ski without its binding)" if ski.measurements.binding_mass_kg and ski.change.mass_percent else ""
    )
    return ", ".join(parts) + binding


def _tone_cell(frequency_hz: float) -> str:
    return f"{frequency_hz:6.1f} {note_name(frequency_hz)[0]}"


def _one_each(result: LotPrediction) -> list[PredictedSki]:
    return list({ski.construction.stem: ski for ski in reversed(result.skis)}.values())[::-1]


def _uncertainties(ski: PredictedSki, orders: int) -> str:
    return ", ".join(f"mode {order} {100 * ski.prediction.u_rel(order):.1f} %" for order in range(1, orders + 1))


def _warnings(skis: tuple[PredictedSki, ...] | list[PredictedSki]) -> list[RenderableType]:
    lines = [(shown(ski.ski_id or "note"), "yellow", f"{warning}.") for ski in skis for warning in ski.warnings]
    return [Text(), hanging(lines)] if lines else []
