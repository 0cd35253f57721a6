"""What goes with results on snow, as the document of ``relate --json``."""

from taptest.core.fields import number_of
from taptest.present.json.documents import Document, problem_of
from taptest.snow.relate import Correlation, MeasureRelation, Relation
from taptest.snow.reliability import Reliability


def relation_document(result: Relation) -> Document:
    """``taptest.relate/1``: measures in the order of the contract, each with its reliability before anything else."""
    return {
        "schema": "taptest.relate/1",
        "skis": result.skis,
        "runs": result.runs,
        "tests": result.tests,
        "seed": result.seed,
        "measures": [_measure(measure) for measure in result.measures],
        "problems": [problem_of(problem) for problem in result.problems],
        "unread": list(result.unread),
        "notes": list(result.notes),
    }


def _measure(relation: MeasureRelation) -> Document:
    return {
        "measure": relation.measure.name,
        "unit": relation.measure.unit,
        "more_is_better": relation.measure.better > 0,
        "runs": relation.runs,
        "skis": relation.skis,
        "sessions": relation.sessions,
        "reliability": _reliability(relation.reliability),
        "ski_value_sd": number_of(relation.spread),
        "state": relation.state,
        "reasons": list(relation.reasons),
        "correlations": [_correlation(each) for each in relation.correlations],
        "model": [
            {
                "term": term.name,
                "effect_per_sd": number_of(term.effect),
                "low": number_of(term.low),
                "high": number_of(term.high),
            }
            for term in relation.model
        ],
        "explained_share": number_of(relation.explained),
    }


def _reliability(told: Reliability) -> Document:
    return {
        "ski_sd": number_of(told.ski_sd),
        "session_sd": number_of(told.session_sd),
        "ski_by_session_sd": number_of(told.ski_by_session_sd),
        "run_sd": number_of(told.run_sd),
        "single": number_of(told.single),
        "mean": number_of(told.mean),
        "mean_low": number_of(told.low),
        "mean_high": number_of(told.high),
        "f": number_of(told.f),
        "degrees_of_freedom": list(told.dof),
        "p": number_of(told.p),
        "error_between": "sessions" if told.by_session else "runs",
        "separates": told.separates,
    }


def _correlation(each: Correlation) -> Document:
    found = each.association
    return {
        "property": each.name,
        "property_sd_percent": number_of(None if each.spread is None else 100 * each.spread),
        "skis": None if found is None else found.skis,
        "strata": None if found is None else found.strata,
        "rank_correlation": number_of(None if found is None else found.correlation),
        "low": number_of(None if found is None else found.low),
        "high": number_of(None if found is None else found.high),
        "spearman": number_of(None if found is None else found.spearman),
        "p": number_of(None if found is None else found.p),
        "p_exact": None if found is None else found.exact,
        "p_holm": number_of(each.p_holm),
        "found": each.found,
        "least_correlation": number_of(each.least),
        "least_effect_per_sd": number_of(each.least_effect),
    }
