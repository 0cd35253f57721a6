"""What is told of a ski, of its modes, its tests and its group: each value with its key, unit, heading and column, once.

A new value of the check table is a `Field` here and, if it is to be shown, its key in the table's list of columns
(`taptest.present.text.verdict_table.COLUMNS`); documents, schemas, data frames, exports and the logbook take it from here.
"""

from __future__ import annotations

from collections.abc import Sequence

from taptest.core.fields import Field, list_field
from taptest.core.messages import Message
from taptest.ski.modes import PlacedMode
from taptest.ski.record import Ski, Test


def sentences(messages: Sequence[Message]) -> list[str]:
    """Messages as sentences, for documents."""
    return [str(each) for each in messages]


MODE_FIELDS: tuple[Field[PlacedMode], ...] = (
    Field("family", lambda mode: mode.family, "text", "bending, torsion or other"),
    Field("order", lambda mode: mode.order, "integer", "from 1 within its family", heading="bending"),
    Field(
        "frequency_hz",
        lambda mode: mode.frequency_hz,
        help="natural frequency",
        heading="measured\nHz",
        decimals=2,
        u="frequency_u_hz",
    ),
    Field("frequency_u_hz", lambda mode: mode.frequency_u_hz, help="its standard uncertainty"),
    Field(
        "predicted_hz", lambda mode: mode.predicted_hz, help="as stiffness and mass predict it", heading="predicted\nHz"
    ),
    Field(
        "deviation_percent",
        lambda mode: mode.deviation_percent,
        help="measured against predicted",
        heading="off by\n%",
        sign=True,
    ),
    Field(
        "damping_ratio",
        lambda mode: mode.damping_ratio,
        help="share of critical damping",
        heading="damp\n%",
        decimals=2,
        scale=100,
        u="damping_ratio_u",
    ),
    Field("damping_ratio_u", lambda mode: mode.damping_ratio_u, help="its standard uncertainty"),
    Field(
        "damping_ratio_limit",
        lambda mode: mode.damping_ratio_limit,
        help="upper limit where the room limits it (one-sided, 95 %)",
    ),
    Field("flags", lambda mode: mode.flags, "list", "what is to be known of the measurement"),
)

TEST_FIELDS: tuple[Field[Test], ...] = (
    Field("name", lambda test: test.name, "text", "what was tested", heading="judged by"),
    Field("unit", lambda test: test.unit, "text", "of value, limit and uncertainty"),
    Field("value", lambda test: test.value, help="the statistic", heading="value"),
    Field("limit", lambda test: test.limit, help="to either side of 0", heading="limit"),
    Field("u", lambda test: test.u, help="standard uncertainty of the value"),
    Field("score", lambda test: test.score, help="value over limit; above 1 is out", heading="score", decimals=2),
    Field(
        "suspicious",
        lambda test: test.statistic.suspicious,
        "boolean",
        "beyond the limit, or the limit is within the uncertainty",
    ),
    Field(
        "may_reject",
        lambda test: test.may_reject,
        "boolean",
        "whether it can make an outlier, or only ask for a recheck",
    ),
    Field("rank", lambda test: test.rank, "integer", "place in the group, from the lowest value"),
    Field("count", lambda test: test.count, "integer", "of how many"),
)


SKI_FIELDS: tuple[Field[Ski], ...] = (
    Field("ski_id", lambda ski: ski.ski_id, "text", "as the table names it", heading="ski", align="fold"),
    Field("pair_id", lambda ski: ski.pair_id, "text", "as the table names it", heading="pair", align="fold"),
    Field("construction", lambda ski: ski.facts.construction, "text", "as the table names it", logbook="construction"),
    Field("generation", lambda ski: ski.facts.generation, "text", "as the table names it", logbook="generation"),
    Field("line", lambda ski: ski.facts.line, "integer", "of the table", logbook="line"),
    Field("mass_g", lambda ski: ski.mass_g, help="as hung", heading="mass\ng", decimals=0),
    Field(
        "stiffness_n_per_mm",
        lambda ski: ski.stiffness_n_per_mm,
        help="two-support bending, on the rig",
        heading="stiff\nN/mm",
        decimals=2,
    ),
    Field("span_mm", lambda ski: ski.span_mm, help="of the rig's supports", heading="span\nmm", decimals=0),
    Field(
        "predicted_hz",
        lambda ski: ski.predicted_hz,
        help="first bending mode as mass and stiffness predict it",
        heading="pred.\nHz",
        u="predicted_u_hz",
        logbook="predicted_hz",
    ),
    Field("predicted_u_hz", lambda ski: ski.predicted_u_hz, help="its standard uncertainty", logbook="predicted_u_hz"),
    Field(
        "measured_hz",
        lambda ski: ski.first_mode_hz,
        help="first bending mode, heard or inferred from the others",
        heading="first\nHz",
        u="measured_u_hz",
        logbook="first_mode_hz",
    ),
    Field("measured_u_hz", lambda ski: ski.first_mode_u_hz, help="its standard uncertainty", logbook="first_mode_u_hz"),
    Field(
        "first_mode_source",
        lambda ski: ski.first_mode_source,
        "text",
        "heard, or inferred from the other modes",
        logbook="first_mode_source",
    ),
    Field(
        "deviation_percent",
        lambda ski: ski.deviation_percent,
        help="first mode against its prediction",
        heading="off by\n%",
        sign=True,
        u="deviation_u_percent",
        logbook="deviation_percent",
    ),
    Field(
        "deviation_u_percent",
        lambda ski: ski.deviation_u_percent,
        help="its standard uncertainty, the prediction's included",
        logbook="deviation_u_percent",
    ),
    Field(
        "damping_ratio",
        lambda ski: ski.damping_ratio,
        help="mean over the bending modes, share of critical",
        heading="damp\n%",
        decimals=2,
        scale=100,
        logbook="damping_ratio",
    ),
    Field(
        "damping_ratio_u", lambda ski: ski.damping_ratio_u, help="its standard uncertainty", logbook="damping_ratio_u"
    ),
    Field(
        "shift_percent",
        lambda ski: ski.shift_percent,
        help="what all modes share, against the centre of the group (or the prediction)",
        heading="tone\n%",
        sign=True,
        u="shift_u_percent",
        logbook="shift_percent",
    ),
    Field(
        "shift_u_percent", lambda ski: ski.shift_u_percent, help="its standard uncertainty", logbook="shift_u_percent"
    ),
    Field(
        "shift_limit_percent",
        lambda ski: ski.shift_limit_percent,
        help="its limit, either way",
        heading="limit\n%",
        logbook="shift_limit_percent",
    ),
    Field(
        "unevenness",
        lambda ski: ski.residual_chi_square,
        help="how far single modes stray from what they share; about 1 is normal",
        heading="uneven",
        logbook="residual_chi_square",
    ),
    Field(
        "score",
        lambda ski: ski.score,
        help="worst test as a share of its limit; above 1 is out",
        heading="score",
        logbook="score",
    ),
    Field("taps_good", lambda ski: ski.taps_good, "integer", "taps used", heading="taps", logbook="taps_good"),
    Field("taps_found", lambda ski: ski.taps_found, "integer", "taps found", logbook="taps_found"),
    Field(
        "group",
        lambda ski: ski.group,
        "integer",
        "number of its group",
        logbook="group_number",
    ),
    Field(
        "judged_by",
        lambda ski: None if ski.verdict == "not judged" else "prediction",
        "text",
        "what the tone was judged against",
    ),
    list_field("modes", lambda ski: ski.modes, MODE_FIELDS, "those that have a place, by frequency"),
    Field(
        "verdict",
        lambda ski: ski.verdict,
        "text",
        "pass, recheck, outlier or not judged",
        heading="verdict",
        logbook="verdict",
    ),
    Field("reasons", lambda ski: sentences(ski.reasons), "list", "why, the most telling first"),
    Field("reason_codes", lambda ski: [each.code for each in ski.reasons], "list", "the same as codes"),
    list_field("statistics", lambda ski: ski.tests, TEST_FIELDS, "everything it was judged by"),
)
