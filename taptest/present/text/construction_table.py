"""A learned construction, for a terminal: how far each mode was off, and how well it is predicted now."""

from pathlib import Path

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.calibrate.construction import LearnedConstruction, LeftOut
from taptest.core.errors import shown
from taptest.present.text.room_table import kept
from taptest.present.text.tables import counted, hanging, heading, number, pinned, prose, ruled_table, with_u

_ORDERS = 10
_WELL, _BARELY = 0.8, 0.3
_LEGEND = (
    "skis: in how many it was heard; moved: the base's prediction by this, ± one standard uncertainty (where no ski had the "
    "mode, from the others); error: root mean square, each ski predicted from the others; base: the same, predicted from the "
    "base; stated: one standard uncertainty that the file claims for a new ski, rig and balance included."
)


def construction_view(result: LearnedConstruction, written: Path, stored: Path | None, width: int) -> Group:
    """Modes, the skis left out, how well it predicts, what is known of the profile, and where everything is."""
    headings = [
        ("bending", "right"),
        ("skis", "right"),
        ("moved\n%", "right"),
        ("error\n%", "right"),
        ("base\n%", "right"),
        ("stated\n%", "right"),
    ]
    table = ruled_table(width, headings)
    for each in result.orders[:_ORDERS]:
        table.add_row(
            str(each.order),
            str(each.skis) if each.skis else "-",
            with_u(100 * (each.factor - 1), 100 * each.factor_u_rel, 1, sign=True),
            number(each.error_percent, 2),
            number(each.base_error_percent, 2),
            number(each.u_percent, 2),
        )
    parts: list[RenderableType] = [pinned(table, width), Text(), prose(_LEGEND, style="dim"), Text()]
    if result.left_out:
        parts += [heading("Left out"), hanging(_left_out(each, len(result.lots)) for each in result.left_out), Text()]
    lines = [
        ("learnt from", "bold", f"{counted(result.skis, 'ski')} of {', '.join(shown(lot, 60) for lot in result.lots)}"),
        ("scatter", "bold", _scatter(result)),
        ("prediction", "bold", _prediction(result)),
        ("profile", "bold", _profile(result)),
        ("written", "bold", f"{shown(written, 200)}; name it in the column construction, from the table's folder"),
        kept(stored),
    ]
    return Group(*parts, hanging(lines))


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
