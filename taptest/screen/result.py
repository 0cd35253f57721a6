"""What a check says of a lot: the judged skis, their groups, and everything to be told besides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from taptest.config.corrections import Citation
from taptest.config.settings import Settings
from taptest.core.fields import Field, document_of, schema_of
from taptest.core.messages import Message
from taptest.core.results import Result
from taptest.screen.clusters import Populations
from taptest.ski.record import Ski, Verdict
from taptest.tables.lot import Lot


@dataclass(frozen=True)
class GroupSummary:
    """Skis of one kind and the limits they were judged by, in percent of the shift that all modes of a ski share.

    Attributes:
        construction: as the table names it.
        length_low_mm, length_high_mm: shortest and longest of its skis.
        with_binding: whether they carry one.
        count: of the skis judged.
        centre_percent: the group's own or, where only physics judges, the prediction (0).
        spread_percent: robust standard deviation of the group; None where only physics judges.
        limit_percent: to either side of the centre.
        basis: where the limit comes from.
        ski_ids: of its members.
        populations: where it looks like two.
    """

    construction: str
    length_low_mm: int
    length_high_mm: int
    with_binding: bool
    count: int
    centre_percent: float | None
    spread_percent: float | None
    limit_percent: float | None
    basis: str
    ski_ids: tuple[str, ...] = ()
    populations: Populations | None = None

    @property
    def length_class(self) -> str:
        """Its lengths in mm, "1990" or "1990-2000"."""
        low, high = self.length_low_mm, self.length_high_mm
        return f"{low}" if low == high else f"{low}-{high}"

    @property
    def binding(self) -> str:
        """ "bare" or "with binding"."""
        return "with binding" if self.with_binding else "bare"


@dataclass(frozen=True)
class CheckResult(Result):
    """A checked lot.

    Attributes:
        lot: the table, with its problems and notes.
        skis: judged, in the order of the table.
        groups: in which they were judged.
        unread: inputs that could not be read.
        remarks: what concerns whole groups, and what calibrations warn of.
        settings: with which it was checked.
    """

    lot: Lot
    skis: tuple[Ski, ...]
    groups: tuple[GroupSummary, ...] = ()
    unread: tuple[Message, ...] = ()
    remarks: tuple[Message, ...] = ()
    settings: Settings = Settings()

    @property
    def problems(self) -> tuple[Message, ...]:
        """Bad cells of the table."""
        return self.lot.problems

    @property
    def notes(self) -> tuple[Message, ...]:
        """What is good to know: of the table, of calibrations and of groups."""
        return (*self.lot.notes, *self.remarks)

    @property
    def calibrations(self) -> tuple[Citation, ...]:
        """Those that the verdicts rest on."""
        return self.settings.corrections.citations

    def count(self, verdict: Verdict) -> int:
        """Number of skis with a verdict."""
        return sum(ski.verdict == verdict for ski in self.skis)


_POPULATIONS: tuple[Field[Any], ...] = (
    Field("quantity", lambda found: found.quantity, "text", "in which they differ"),
    Field("apart_percent", lambda found: found.apart_percent, help="distance of the two centres"),
    Field("smaller", lambda found: found.smaller, "list", "skis of the smaller cluster"),
    Field("smaller_is_lower", lambda found: found.smaller_is_lower, "boolean", "which of the two is lower"),
    Field("larger_count", lambda found: found.larger, "integer", "skis of the larger cluster"),
)

GROUP_FIELDS: tuple[Field[GroupSummary], ...] = (
    Field("construction", lambda group: group.construction, "text", "as the table names it"),
    Field("length_class", lambda group: group.length_class, "text", "lengths in mm"),
    Field("binding", lambda group: group.binding, "text", "bare or with binding"),
    Field("count", lambda group: group.count, "integer", "skis judged"),
    Field("centre_percent", lambda group: group.centre_percent, help="tone of the group against its prediction"),
    Field("spread_percent", lambda group: group.spread_percent, help="robust standard deviation of the tone"),
    Field("limit_percent", lambda group: group.limit_percent, help="of the tone, to either side of the centre"),
    Field("basis", lambda group: group.basis, "text", "where the limit comes from"),
    Field("ski_ids", lambda group: group.ski_ids, "list", "of its members"),
    Field(
        "two_populations",
        lambda group: group.populations and document_of(_POPULATIONS, group.populations),
        "object",
        "where it looks like two builds",
        items={**schema_of(_POPULATIONS), "type": ["object", "null"]},
    ),
)
