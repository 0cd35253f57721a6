"""Limits as the document of ``taptest limits --json``."""

from collections.abc import Sequence

from taptest.config.limits import NamedLimit
from taptest.core.fields import Field, document_of

LIMIT_FIELDS: tuple[Field[NamedLimit], ...] = (
    Field("name", lambda each: each.name, "text", "group and name, as in taptest.toml", heading="limit"),
    Field("value", lambda each: each.value, "any", "in force", heading="value"),
    Field("default", lambda each: each.default, "any", "unless it is set"),
    Field("unit", lambda each: each.unit, "text", "of the value", heading="unit"),
    Field("settable", lambda each: each.settable, "boolean", "whether taptest.toml may set it"),
    Field("source", lambda each: each.source, "text", "where it comes from"),
    Field("effect", lambda each: each.effect, "text", "what it does", heading="what it does"),
)


def limits_document(limits: Sequence[NamedLimit], files: Sequence[str]) -> dict[str, object]:
    """``taptest.limits/1``: limits in the order of their groups, and the files that were read."""
    return {
        "schema": "taptest.limits/1",
        "files": list(files),
        "limits": [document_of(LIMIT_FIELDS, each) for each in limits],
    }
