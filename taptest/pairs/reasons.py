"""What keeps two skis apart, in plain sentences: the farthest over its limit first, then what the verdict rests on."""

from __future__ import annotations

from collections.abc import Sequence
from math import expm1, isfinite

from taptest.core.errors import shown
from taptest.pairs.differences import Differences
from taptest.pairs.limits import Limit, PairLimits, Quantity
from taptest.pairs.verdict import CENTS, Difference, size_of
from taptest.ski.record import Ski

WARM_K = 5.0
# Sound skis of one kind differ by 0.3 to 0.5 % from mode to mode (assumed, as in the figures of the README).
_UNEVEN = 0.01
_WORDS: dict[Quantity, tuple[str, str]] = {
    "mass": ("heavier", "lighter"),
    "stiffness": ("stiffer", "softer"),
    "frequency": ("higher in tone", "lower in tone"),
    "damping": ("more damped", "less damped"),
}


def not_comparable(one: Ski, other: Ski) -> str | None:
    """Why two skis cannot be compared at all, if they cannot."""
    if (one.facts.binding_mass_kg > 0) != (other.facts.binding_mass_kg > 0):
        bound = one if one.facts.binding_mass_kg > 0 else other
        return f"{shown(bound.facts.ski_id)} carries a binding and the other does not: nothing can be compared"
    return None


def of_other_kinds(one: Ski, other: Ski, limits: PairLimits) -> list[str]:
    """What no measurement can make good: other construction, length, or the same side."""
    a, b = one.facts, other.facts
    reasons = []
    if a.construction != b.construction:
        reasons.append(f"of different construction: {shown(a.construction) or '?'} and {shown(b.construction) or '?'}")
    if a.length_m is not None and b.length_m is not None and abs(b.length_m - a.length_m) > limits.length_m + 1e-4:
        apart, most = 1000 * abs(b.length_m - a.length_m), 1000 * limits.length_m
        reasons.append(f"{apart:.0f} mm apart in length (limit {most:g} mm)")
    if a.side is not None and a.side == b.side:
        reasons.append(f"both are marked {a.side}")
    return reasons


def in_words(judged: Sequence[Difference], other: Ski, limits: PairLimits) -> list[str]:
    """One sentence for each difference that is not matched, the one farthest over its limit first."""
    said = []
    for each in judged:
        if each.verdict == "matched":
            continue
        limit = limits.limits[each.quantity]
        words = sentence_of(each, limit, other, too_far=each.verdict == "mismatched")
        said.append((size_of(each) / limit.close, words))
    return [sentence for _, sentence in sorted(said, key=lambda each: -each[0])]


def sentence_of(each: Difference, limit: Limit, other: Ski, *, too_far: bool) -> str:
    """How the other ski differs, with the second limit where it is ``too_far``, otherwise with the first."""
    name = shown(other.facts.ski_id)
    word, bound = ("close", limit.close) if too_far else ("matched", limit.matched)
    if each.quantity == "balance":
        way = "nearer the tip" if each.value > 0 else "nearer the tail"
        return f"{name} balances {1000 * abs(each.value):.0f} mm {way} ({word} up to {1000 * bound:g} mm)"
    way = _WORDS[each.quantity][0 if each.value > 0 else 1]
    if each.quantity == "mass":
        return f"{name} is {1000 * abs(each.value):.0f} g {way} ({word} up to {1000 * bound:g} g)"
    cents = f", {CENTS * abs(each.value):.0f} cents," if each.quantity == "frequency" else ""
    return f"{name} is {way} by {abs(each.percent):.1f} % of their mean{cents} ({word} up to {100 * bound:g} %)"


def unlike_prediction(found: Differences, at: int, other: Ski) -> list[str]:
    """Where two skis ring as their masses and stiffnesses do not say, one of these is wrong or the skis are unlike."""
    beyond = float(found.unexpected[at])
    if not isfinite(beyond):
        return []
    name = shown(other.facts.ski_id)
    should, does = (100 * expm1(value) for value in (float(found.expected[at]), float(found.value["frequency"][at])))
    return [
        f"by mass and stiffness {name} should ring {_higher(should)}, but it rings {_higher(does)}: weigh and bend both "
        "again; if the numbers hold, the two are not built alike"
    ]


def uneven(found: Differences, at: int) -> list[str]:
    """Modes that differ unevenly: skis that are not built alike in some place."""
    spread = float(found.mode_spread[at])
    if not spread > _UNEVEN:
        return []
    return [
        f"their modes lie unevenly apart, by {100 * spread:.1f} % between modes: one may have a soft spot; check the lot"
    ]


def _higher(percent: float) -> str:
    return f"{abs(percent):.1f} % {'higher' if percent > 0 else 'lower'}"


def unknown(one: Ski, other: Ski, judged: Sequence[Difference], limits: PairLimits) -> list[str]:
    """What the verdict does not rest on, although it was to be compared."""
    there = {each.quantity for each in judged}
    absent = [name for name in ("mass", "stiffness", "frequency") if name in limits.limits and name not in there]
    if not absent:
        return []
    why = ""
    if "frequency" in absent:
        silent = [ski for ski in (one, other) if ski.placed is None or ski.placed.ambiguous]
        causes = list(dict.fromkeys(_silence(ski) for ski in silent))
        if len(silent) == 2 and not any(ski.facts.recordings for ski in silent):
            causes = ["neither has a recording"]
        why = f": {'; '.join(causes)}" if causes else ": no mode was heard in both"
    based = " and ".join(name for name in ("mass", "stiffness", "frequency") if name in there)
    if not based:
        return [f"no {', '.join(absent)} to compare{why}"]
    return [f"on {based} alone, {' and '.join(absent)} not known{why}"]


def _silence(ski: Ski) -> str:
    if not ski.facts.recordings:
        return f"{shown(ski.facts.ski_id)} has no recording"
    return f"{shown(ski.facts.ski_id)}: {ski.obstacles[0] if ski.obstacles else 'not heard'}"


def remarks_on(one: Ski, other: Ski) -> list[str]:
    """What does not count in the verdict but may explain it."""
    a, b = one.facts, other.facts
    remarks = []
    if a.generation != b.generation:
        remarks.append(f"of different generations: {shown(a.generation or '?')} and {shown(b.generation or '?')}")
    if (
        one.evidence.at_c is not None
        and other.evidence.at_c is not None
        and abs(one.evidence.at_c - other.evidence.at_c) > WARM_K
    ):
        apart = abs(one.evidence.at_c - other.evidence.at_c)
        remarks.append(f"measured {apart:.0f} K apart, which moves the tone by about {0.1 * apart:.1f} %")
    return remarks
