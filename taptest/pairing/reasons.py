"""What keeps two skis apart: the farthest over its limit first, then what the verdict rests on."""

from __future__ import annotations

from collections.abc import Sequence
from math import expm1, isfinite

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.core.messages import Message, Subject, message
from taptest.pairing.differences import Differences
from taptest.pairing.limits import ROUNDING_M, UNIT_OF, Limit, PairLimits, Quantity, size_of
from taptest.pairing.verdict import CENTS, Difference
from taptest.ski.record import Ski

_PAIRING = LIMITS.pairing
_SAID: dict[Quantity, tuple[str, str, str]] = {
    "mass": ("pair-mass", "heavier", "lighter"),
    "stiffness": ("pair-stiffness", "stiffer", "softer"),
    "frequency": ("pair-frequency", "higher", "lower"),
    "damping": ("pair-damping", "more", "less"),
    "balance": ("pair-balance", "nearer the tip", "nearer the tail"),
}
_DECIDING: tuple[Quantity, ...] = ("mass", "stiffness", "frequency")


def not_comparable(one: Ski, other: Ski) -> Message | None:
    """Why two skis cannot be compared at all, if they cannot."""
    if (one.facts.binding_mass_kg > 0) == (other.facts.binding_mass_kg > 0):
        return None
    bound = one if one.facts.binding_mass_kg > 0 else other
    return message("pair-binding", bound=shown(bound.ski_id))


def of_other_kinds(one: Ski, other: Ski, limits: PairLimits) -> list[Message]:
    """What no measurement can make good: other construction, length, or the same side."""
    a, b = one.facts, other.facts
    reasons = []
    if a.construction != b.construction:
        reasons.append(_named("pair-construction", a.construction, b.construction))
    apart_m = None if a.length_m is None or b.length_m is None else abs(b.length_m - a.length_m)
    if apart_m is not None and apart_m > limits.length_m + ROUNDING_M:
        reasons.append(message("pair-length", apart_mm=1000 * apart_m, limit_mm=1000 * limits.length_m))
    if a.side is not None and a.side == b.side:
        reasons.append(message("pair-side", side=a.side))
    return reasons


def _named(code: str, first: str | None, second: str | None) -> Message:
    return message(code, first=shown(first or "") or "?", second=shown(second or "") or "?")


def over_limits(judged: Sequence[Difference], other: Ski, limits: PairLimits) -> list[Message]:
    """One message for each difference that is not matched, the one farthest over its limit first."""
    said = [each for each in judged if each.verdict != "matched"]
    said.sort(key=lambda each: -share_of_limit(each, limits))
    return [apart(each, limits.limits[each.quantity], other, too_far=each.verdict == "mismatched") for each in said]


def share_of_limit(each: Difference, limits: PairLimits) -> float:
    """Size of a difference over the limit up to which it is close."""
    return float(size_of(each.quantity, each.value)) / limits.limits[each.quantity].close


def apart(each: Difference, limit: Limit, other: Ski, *, too_far: bool) -> Message:
    """How the other ski differs, with the second limit where it is ``too_far``, otherwise with the first."""
    unit, (code, more, less) = UNIT_OF[each.quantity], _SAID[each.quantity]
    values: dict[str, float | str] = {
        f"apart_{unit.suffix}": abs(each.in_unit[0]),
        f"limit_{unit.suffix}": (limit.close if too_far else limit.matched) / unit.base,
        "step": "close" if too_far else "matched",
        "way": more if each.value > 0 else less,
    }
    if each.quantity == "frequency":
        values["apart_cents"] = CENTS * abs(each.value)
    return message(code, Subject(ski=other.ski_id), severity="outlier" if too_far else "remark", **values)


def unlike_what_was_expected(found: Differences, at: int, other: Ski) -> list[Message]:
    """Where two skis ring as masses and stiffnesses do not say, or differ unevenly from mode to mode."""
    reasons = []
    if isfinite(found.unexpected[at]):
        should, does = (100 * expm1(each[at]) for each in (found.expected, found.value["frequency"]))
        reasons.append(
            message(
                "pair-off-prediction",
                Subject(ski=other.ski_id),
                should_percent=abs(should),
                should="higher" if should > 0 else "lower",
                does_percent=abs(does),
                does="higher" if does > 0 else "lower",
            )
        )
    spread = float(found.mode_spread[at])
    if spread > _PAIRING.uneven:
        reasons.append(message("pair-uneven", spread_percent=100 * spread))
    return reasons


def unknown(one: Ski, other: Ski, judged: Sequence[Difference], limits: PairLimits) -> list[Message]:
    """What the verdict does not rest on, although it was to be compared."""
    there = {each.quantity for each in judged}
    absent = [name for name in _DECIDING if name in limits.limits and name not in there]
    if not absent:
        return []
    why = ""
    if "frequency" in absent:
        silent = [ski for ski in (one, other) if ski.placed is None or ski.placed.ambiguous]
        causes = list(dict.fromkeys(_silence(ski) for ski in silent))
        if len(silent) == 2 and not any(ski.facts.recordings for ski in silent):
            causes = ["neither has a recording"]
        why = f": {'; '.join(causes)}" if causes else ": no mode was heard in both"
    based = " and ".join(name for name in _DECIDING if name in there)
    if not based:
        return [message("pair-nothing-known", absent=", ".join(absent), why=why)]
    return [message("pair-partly-known", known=based, absent=" and ".join(absent), why=why)]


def _silence(ski: Ski) -> str:
    if not ski.facts.recordings:
        return f"{shown(ski.ski_id)} has no recording"
    return f"{shown(ski.ski_id)}: {ski.obstacles[0] if ski.obstacles else 'not heard'}"


def remarks_on(one: Ski, other: Ski) -> list[Message]:
    """What does not count in the verdict but may explain it."""
    remarks = []
    if one.facts.generation != other.facts.generation:
        remarks.append(_named("pair-generations", one.facts.generation, other.facts.generation))
    here, there = one.evidence.at_c, other.evidence.at_c
    if here is not None and there is not None and abs(here - there) > LIMITS.group.warm_k:
        remarks.append(message("pair-temperatures", apart_k=abs(here - there), percent=0.1 * abs(here - there)))
    return remarks
