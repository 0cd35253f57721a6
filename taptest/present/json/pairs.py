"""Pairs as the document of ``pairs --json``."""

from taptest.core.fields import number_of
from taptest.pairs.limits import UNIT_OF, PairLimits
from taptest.pairs.verdict import CENTS, Pair, PairsResult
from taptest.present.json.documents import Document, citation_document, problem_of
from taptest.ski.record import Ski


def pairs_document(result: PairsResult) -> Document:
    """``taptest.pairs/1``: pairs in the order of the table, or by ski id where a pile was paired."""
    return {
        "schema": "taptest.pairs/1",
        "pile": result.pile,
        "limits": _limits(result.limits),
        "pairs": [_pair(pair) for pair in result.pairs],
        "left_over": [{"ski_id": each.ski.facts.ski_id, "reason": each.reason} for each in result.left_over],
        "problems": [problem_of(problem) for problem in result.problems],
        "unread": list(result.unread),
        "notes": list(result.notes),
        "calibrations": [citation_document(citation) for citation in result.calibrations],
    }


def _limits(limits: PairLimits) -> Document:
    document: Document = {
        f"{quantity}_{UNIT_OF[quantity].suffix}": {
            "matched": number_of(limit.matched / UNIT_OF[quantity].base),
            "close": number_of(limit.close / UNIT_OF[quantity].base),
        }
        for quantity, limit in limits.limits.items()
    }
    return {**document, "length_mm": number_of(1000 * limits.length_m)}


def _pair(pair: Pair) -> Document:
    mass, balance = pair.difference("mass"), pair.difference("balance")
    stiffness, frequency, damping = (pair.difference(name) for name in ("stiffness", "frequency", "damping"))
    return {
        "pair_id": pair.pair_id,
        "in_table": pair.in_table,
        "first": _ski(pair.first),
        "second": _ski(pair.second),
        "mass_difference_g": mass and number_of(1000 * mass.value),
        "mass_difference_u_g": mass and number_of(1000 * mass.u),
        "stiffness_difference_percent": stiffness and number_of(stiffness.percent),
        "stiffness_difference_u_percent": stiffness and number_of(stiffness.percent_u),
        "frequency_difference_percent": frequency and number_of(frequency.percent),
        "frequency_difference_u_percent": frequency and number_of(frequency.percent_u),
        "frequency_difference_cents": frequency and number_of(CENTS * frequency.value),
        "frequency_difference_u_cents": frequency and number_of(CENTS * frequency.u),
        "damping_difference_percent": damping and number_of(damping.percent),
        "damping_difference_u_percent": damping and number_of(damping.percent_u),
        "balance_difference_mm": balance and number_of(1000 * balance.value),
        "balance_difference_u_mm": balance and number_of(1000 * balance.u),
        "mode_spread_percent": number_of(None if pair.mode_spread is None else 100 * pair.mode_spread),
        "verdict": pair.verdict,
        "verdicts": {each.quantity: each.verdict for each in pair.differences},
        "reasons": list(pair.reasons),
    }


def _ski(ski: Ski) -> Document:
    row, found = ski.facts, ski.placed
    return {
        "ski_id": row.ski_id,
        "pair_id": row.pair_id,
        "side": row.side,
        "line": row.line,
        "mass_g": number_of(None if row.mass_kg is None else 1000 * row.mass_kg),
        "stiffness_n_per_mm": number_of(None if row.stiffness_n_per_m is None else row.stiffness_n_per_m / 1000),
        "measured_hz": number_of(None if found is None else found.first_hz),
    }
