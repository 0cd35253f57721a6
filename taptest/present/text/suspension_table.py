"""Where the loops belong, for a terminal."""

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.calibrate.suspension import SuspensionAdvice
from taptest.present.text.tables import hanging, heading, number, pinned, prose, ruled_table

_LEGEND = (
    "shift: of frequency by the loops; adds: damping they add, as a share of critical, of which a ski has 0.5 to 2 % itself; "
    "compromise: loops for which the most that is added to any of these modes is least."
)


def suspension_view(advice: SuspensionAdvice, width: int, *, given: bool) -> Group:
    """Places, what the loops do to each mode, and what a misplaced pair does to the first."""
    modes = ruled_table(
        width,
        [
            ("mode", "right"),
            ("frequency\nHz", "right"),
            ("shift\n%", "right"),
            ("adds\n%", "right"),
            ("compromise\nshift %", "right"),
            ("\nadds %", "right"),
        ],
    )
    for bias, other in zip(advice.biases, advice.spread_biases, strict=True):
        modes.add_row(
            str(bias.order),
            number(bias.frequency_hz, 1),
            number(100 * bias.shift_rel, 3),
            number(100 * bias.damping_added, 3),
            number(100 * other.shift_rel, 3),
            number(100 * other.damping_added, 3),
        )
    off = ruled_table(width, [("both off by\nmm", "right"), ("shift of mode 1\n%", "right"), ("adds\n%", "right")])
    for each in advice.misplaced:
        off.add_row(
            number(1000 * each.off_m, 0, sign=True),
            number(100 * each.shift_rel, 4),
            number(100 * each.damping_added, 3),
        )
    parts: list[RenderableType] = [hanging(_places(advice, given=given)), Text(), pinned(modes, width), Text()]
    parts += [prose(_LEGEND, style="dim"), Text(), heading("Loops beside the nodes of the first mode (+ further in)")]
    parts += [pinned(off, width)]
    if advice.notes:
        parts += [Text(), hanging([("note", "yellow", f"{note}.") for note in advice.notes])]
    return Group(*parts)


def _places(advice: SuspensionAdvice, *, given: bool) -> list[tuple[str, str, str]]:
    bounce = advice.bounce
    origin = "seen in the recording" if bounce.seen else "as given" if given else "assumed"
    first = " assumed" if advice.first_assumed else ""
    lines = [
        ("nodes", "bold", f"{_pair(advice.nodes_m, advice.length_m)}: there the first mode stands still"),
        ("compromise", "bold", f"{_pair(advice.spread_m, advice.length_m)}: least for all modes together"),
    ]
    if advice.loops_m != advice.nodes_m:
        lines.append(("loops now", "bold", _pair(advice.loops_m, advice.length_m)))
    return [
        *lines,
        (
            "bounce",
            "bold",
            f"{bounce.frequency_hz:.1f} Hz, {origin}, damping {100 * bounce.damping_ratio:.0f} % of critical; first mode "
            f"{advice.first_hz:.1f} Hz{first}",
        ),
        (
            "balance",
            "bold",
            f"{1000 * advice.balance_m:.0f} mm from the tail: the tail loop carries {100 * advice.tail_load:.0f} % of the weight",
        ),
    ]


def _pair(places_m: tuple[float, float], length_m: float) -> str:
    tail, tip = places_m
    return (
        f"{1000 * tail:.0f} mm from the tail and {1000 * (length_m - tip):.0f} mm from the tip "
        f"({tail / length_m:.3f} and {1 - tip / length_m:.3f} of the length)"
    )
