"""Pairs of skis for a terminal: every pair in a line, then what keeps them apart and which skis are left over."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.pairing.limits import QUANTITIES, UNIT_OF, PairLimits
from taptest.pairing.verdict import PAIR_FIELDS, VERDICTS, Pair, PairsResult, PairVerdict
from taptest.present.text.citation import calibrations_used
from taptest.present.text.tables import (
    CAUTION,
    counted,
    fields_table,
    hanging,
    heading,
    prose,
)
from taptest.present.text.verdict_table import sentences

STYLES: dict[PairVerdict, str] = {
    "matched": "green",
    "close": "yellow",
    "mismatched": "bold red",
    "not compared": "cyan",
}
_SECTIONS: tuple[tuple[PairVerdict, str], ...] = (
    ("matched", "Matched, with a remark"),
    ("not compared", "Not compared"),
    ("close", "Close"),
    ("mismatched", "Mismatched"),
)
_OFTEN = 3
_STYLED: Mapping[str, Callable[[Pair], str]] = {"verdict": lambda pair: STYLES[pair.verdict]}
_LEGEND = (
    "The second ski against the first, in percent of their mean, ± one standard uncertainty. tone: what all bending "
    "modes that both have share; "
    "an octave has 1200 cents; damp: damping; balance: distance of the balance point from the tail."
)
_WORDS = (
    "matched: within the first limit, and the uncertainty does not reach beyond the second; mismatched: beyond the "
    "second by more than the uncertainty; close: in between. The worst of a pair counts."
)
_ALIKE = "A good pair is two skis that are alike, not two sound ones: check the lot as well."


def pairs_view(result: PairsResult, width: int) -> Group:
    """Table, limits, what keeps the pairs apart, the skis left over, and one line to read aloud."""
    parts: list[RenderableType] = []
    if result.pairs:
        parts += [
            fields_table(PAIR_FIELDS, result.pairs, width, styles=_STYLED),
            Text(),
            prose(_LEGEND, style="dim"),
            Text(),
        ]
        parts += [heading("Limits"), prose(limits_in_words(result.limits)), prose(_WORDS, style="dim"), Text()]
    shared = _shared(result.pairs)
    for verdict, title in _SECTIONS:
        lines = [
            (_label(pair), "bold", sentences(own))
            for pair in result.pairs
            if pair.verdict == verdict and (own := [each for each in pair.reasons if str(each) not in shared])
        ]
        if lines:
            parts += [Text(title, STYLES[verdict]), hanging(lines), Text()]
    if shared:
        parts += [hanging((f"{count} pairs", "bold", sentences([each])) for each, count in shared.items()), Text()]
    if result.left_over:
        lines = [(shown(each.ski.ski_id), "bold", sentences([each.reason])) for each in result.left_over]
        parts += [heading("Left over"), hanging(lines), Text()]
    parts += calibrations_used(result.calibrations)
    return Group(*parts, _summary(result), prose(f"{_ALIKE} {CAUTION}", style="dim"))


def _shared(pairs: Sequence[Pair]) -> dict[str, int]:
    """Reasons that stand with so many pairs that they are better told once, and with how many."""
    counts = Counter(str(reason) for pair in pairs for reason in pair.reasons)
    return {reason: count for reason, count in counts.items() if count >= _OFTEN}


def limits_in_words(limits: PairLimits) -> str:
    parts = []
    for quantity in QUANTITIES:
        limit, unit = limits.limits.get(quantity), UNIT_OF[quantity]
        if limit is None:
            parts.append(f"{quantity} not compared")
        else:
            parts.append(f"{quantity} {limit.matched / unit.base:g} and {limit.close / unit.base:g} {unit.symbol}")
    return f"Matched and close up to: {', '.join(parts)}. Length within {1000 * limits.length_m:g} mm."


def _label(pair: Pair) -> str:
    return f"{shown(pair.first.ski_id)} {shown(pair.second.ski_id)}"


def _summary(result: PairsResult) -> Text:
    line = Text(f"{counted(len(result.pairs), 'pair')}: ", style="bold")
    for at, verdict in enumerate(VERDICTS):
        count = result.count(verdict)
        line.append(f"{', ' if at else ''}{count} {verdict}", STYLES[verdict] if count else "dim")
    line.append(f"; {counted(len(result.left_over), 'ski')} left over")
    if result.pile:
        kept = sum(pair.in_table for pair in result.pairs)
        if any(pair.first.pair_id is not None for pair in result.pairs):
            line.append(f"; {counted(kept, 'pair')} as in the table")
    unread = len(result.problems) + len(result.unread)
    if unread:
        line.append(f"; {counted(unread, 'input')} could not be read, named below", "yellow")
    return line
