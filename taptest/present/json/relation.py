"""What goes with results on snow, as the document of ``relate --json``."""

from taptest.core.fields import document_of
from taptest.present.json.documents import Document, told_of
from taptest.snow.fields import MEASURE_FIELDS
from taptest.snow.relate import Relation


def relation_document(result: Relation) -> Document:
    """``taptest.relate/1``: measures in the order of the contract, each with its reliability before anything else."""
    return {
        "schema": "taptest.relate/1",
        "skis": result.skis,
        "runs": result.runs,
        "tests": result.tests,
        "seed": result.seed,
        "measures": [document_of(MEASURE_FIELDS, measure) for measure in result.measures],
        **told_of(result),
    }
