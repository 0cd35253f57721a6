"""Pairs as the document of ``pairs --json``."""

from taptest.core.fields import document_of, number_of
from taptest.pairing.limits import UNIT_OF, PairLimits, key_of
from taptest.pairing.verdict import PAIR_FIELDS, PairsResult
from taptest.present.json.documents import Document, citation_document, told_of


def pairs_document(result: PairsResult) -> Document:
    """``taptest.pairs/1``: pairs in the order of the table, or by ski id where a pile was paired."""
    return {
        "schema": "taptest.pairs/1",
        "pile": result.pile,
        "limits": _limits(result.limits),
        "pairs": [document_of(PAIR_FIELDS, pair) for pair in result.pairs],
        "left_over": [
            {"ski_id": each.ski.ski_id, "reason": str(each.reason), "reason_code": each.reason.code}
            for each in result.left_over
        ],
        **told_of(result),
        "calibrations": [citation_document(citation) for citation in result.calibrations],
    }


def _limits(limits: PairLimits) -> Document:
    document: Document = {
        key_of(quantity): {
            "matched": number_of(limit.matched / UNIT_OF[quantity].base),
            "close": number_of(limit.close / UNIT_OF[quantity].base),
        }
        for quantity, limit in limits.limits.items()
    }
    return {**document, "length_mm": number_of(1000 * limits.length_m)}
