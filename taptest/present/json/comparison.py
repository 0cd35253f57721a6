"""A comparison as the document of ``compare --json``."""

from taptest.comparison.compare import Comparison
from taptest.comparison.fields import SECTION_FIELDS
from taptest.core.fields import document_of, number_of
from taptest.present.json.documents import Document, citation_document, told_of


def comparison_document(result: Comparison) -> Document:
    """``taptest.compare/1``: sections in the order of the tables; the last sums up where there are several."""
    return {
        "schema": "taptest.compare/1",
        "by": result.by,
        "length_mm": number_of(1000 * result.length_m),
        "skis": result.skis,
        "sections": [document_of(SECTION_FIELDS, section) for section in result.sections],
        **told_of(result),
        "calibrations": [citation_document(citation) for citation in result.calibrations],
    }
