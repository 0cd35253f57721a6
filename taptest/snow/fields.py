"""What is told of a measure on snow, of its reliability and of what goes with it: each value with its key, once."""

from __future__ import annotations

from taptest.core.fields import Field, document_of, list_field, schema_of
from taptest.core.messages import codes
from taptest.ski.fields import sentences
from taptest.snow.relate import Correlation, MeasureRelation, Term
from taptest.snow.reliability import Reliability

RELIABILITY_FIELDS: tuple[Field[Reliability], ...] = (
    Field("ski_sd", lambda told: told.ski_sd, help="standard deviation between skis of one kind"),
    Field("session_sd", lambda told: told.session_sd, help="between sessions"),
    Field("ski_by_session_sd", lambda told: told.ski_by_session_sd, help="of one ski from session to session"),
    Field("run_sd", lambda told: told.run_sd, help="between runs of a ski in a session"),
    Field("single", lambda told: told.single, help="share of the variance of one session (run) that is the ski's"),
    Field("mean", lambda told: told.mean, help="the same of a ski's mean"),
    Field("mean_low", lambda told: told.low, help="lower end of its 95 % interval"),
    Field("mean_high", lambda told: told.high, help="upper end"),
    Field("f", lambda told: told.f, help="F statistic that skis differ"),
    Field("degrees_of_freedom", lambda told: told.dof, "list", "of both", items={"type": "integer"}),
    Field("p", lambda told: told.p, help="its p-value"),
    Field(
        "error_between", lambda told: "sessions" if told.by_session else "runs", "text", "what the error is taken from"
    ),
    Field("separates", lambda told: told.separates, "boolean", "whether the skis surely differ"),
)
CORRELATION_FIELDS: tuple[Field[Correlation], ...] = (
    Field("property", lambda each: each.name, "text", "of the skis"),
    Field(
        "property_sd_percent",
        lambda each: None if each.spread is None else 100 * each.spread,
        help="standard deviation within strata",
    ),
    Field("skis", lambda each: each.association and each.association.skis, "integer", "that count"),
    Field("strata", lambda each: each.association and each.association.strata, "integer", "that they are in"),
    Field("rank_correlation", lambda each: each.association and each.association.correlation, help="of normal scores"),
    Field("low", lambda each: each.association and each.association.low, help="lower end of its 95 % interval"),
    Field("high", lambda each: each.association and each.association.high, help="upper end"),
    Field("spearman", lambda each: each.association and each.association.spearman, help="Spearman's coefficient"),
    Field("p", lambda each: each.association and each.association.p, help="by permutation"),
    Field(
        "p_exact", lambda each: each.association and each.association.exact, "boolean", "every permutation was tried"
    ),
    Field("p_holm", lambda each: each.p_holm, help="corrected for all tests of the report"),
    Field("found", lambda each: each.found, "boolean", "whether chance alone is an unlikely explanation"),
    Field("least_correlation", lambda each: each.least, help="smallest that would be found four times in five"),
    Field("least_effect_per_sd", lambda each: each.least_effect, help="the same in the unit of the measure"),
)
TERM_FIELDS: tuple[Field[Term], ...] = (
    Field("term", lambda term: term.name, "text", "property"),
    Field("effect_per_sd", lambda term: term.effect, help="change of the measure for one standard deviation of it"),
    Field("low", lambda term: term.low, help="lower end of its 95 % interval"),
    Field("high", lambda term: term.high, help="upper end"),
)
MEASURE_FIELDS: tuple[Field[MeasureRelation], ...] = (
    Field("measure", lambda each: each.measure.name, "text", "column of the table of runs"),
    Field("unit", lambda each: each.measure.unit, "text", "of what is told about it"),
    Field("more_is_better", lambda each: each.measure.better > 0, "boolean", "or less is"),
    Field("runs", lambda each: each.runs, "integer", "with a value"),
    Field("skis", lambda each: each.skis, "integer", "with a value of their own"),
    Field("sessions", lambda each: each.sessions, "integer", "that they ran in"),
    Field(
        "reliability",
        lambda each: document_of(RELIABILITY_FIELDS, each.reliability),
        "object",
        "how well runs tell skis apart",
        items=schema_of(RELIABILITY_FIELDS),
    ),
    Field("ski_value_sd", lambda each: each.spread, help="standard deviation of the skis' values within strata"),
    Field("state", lambda each: each.state, "text", "found, nothing found or cannot separate skis"),
    Field("reasons", lambda each: sentences(each.reasons), "list", "why it cannot be told, or what casts doubt"),
    Field("reason_codes", lambda each: codes(each.reasons), "list", "the same as codes"),
    list_field("correlations", lambda each: each.correlations, CORRELATION_FIELDS, "with each property alone"),
    list_field("model", lambda each: each.model, TERM_FIELDS, "with all properties together"),
    Field("explained_share", lambda each: each.explained, help="of the variance, by all together"),
)
