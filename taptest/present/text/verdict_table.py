"""The verdicts on a lot, for a terminal: every ski in a line, then what to do, shortest at the end."""

import math
from collections.abc import Sequence
from dataclasses import replace

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.config.file import not_default
from taptest.core.errors import shown
from taptest.core.fields import Field, by_key
from taptest.core.messages import Message, message
from taptest.present.text.citation import calibrations_used
from taptest.present.text.tables import (
    CAUTION,
    WIDE,
    counted,
    fields_legend,
    fields_table,
    hanging,
    heading,
    number,
    prose,
    with_u,
)
from taptest.screen.result import CheckResult, GroupSummary
from taptest.ski.fields import SKI_FIELDS
from taptest.ski.record import Ski, Verdict

STYLES: dict[Verdict, str] = {"pass": "green", "recheck": "yellow", "outlier": "bold red", "not judged": "cyan"}
# What the verdicts ask for, the most urgent last: that is what stays on the screen.
_SECTIONS: tuple[tuple[Verdict, str], ...] = (
    ("not judged", "Not judged"),
    ("recheck", "Recheck"),
    ("outlier", "Outliers to confirm"),
)
# The columns of the table; those of `SKI_FIELDS` come by their keys.
COLUMNS = (
    "ski_id",
    "mass_g",
    "stiffness_n_per_mm",
    "predicted_hz",
    "first_mode",
    "tone",
    "unevenness",
    "damping_ratio",
    "taps",
    "score",
    "verdict",
)


def _first_mode(ski: Ski) -> str | None:
    if ski.first_mode_hz is None:
        return None
    mark = "~" if ski.first_mode_source == "inferred" else ""
    return f"{mark}{with_u(ski.first_mode_hz, ski.first_mode_u_hz, 1)}"


def _tone(ski: Ski) -> str | None:
    if ski.shift_percent is None:
        return None
    return f"{number(ski.shift_percent, 1, sign=True)} ({number(ski.shift_limit_percent, 1)})"


_SHOWN: tuple[Field[Ski], ...] = (
    Field(
        "first_mode",
        _first_mode,
        "text",
        "first bending mode as heard, or ~ inferred from the higher ones",
        heading="first\nHz",
        align="right",
    ),
    Field(
        "tone",
        _tone,
        "text",
        "what all its modes share, against its group, and the limit either way",
        heading="tone\n% (limit)",
        align="right",
    ),
    Field(
        "taps", lambda ski: f"{ski.taps_good}/{ski.taps_found}", "text", "used of found", heading="taps", align="right"
    ),
)


def check_view(result: CheckResult, width: int) -> Group:
    """Table, what its columns mean, groups, the skis to act on with the reasons, and one line to read aloud."""
    parts: list[RenderableType] = []
    if result.skis:
        parts += [_table(result.skis, width), Text(), prose(_legend(), style="dim"), Text()]
    if result.groups:
        parts += [heading("Groups"), hanging(_group(group) for group in result.groups), _set_so_that(result), Text()]
    remarks = [ski for ski in result.skis if ski.verdict == "pass" and ski.reasons]
    if remarks:
        parts += [heading("Passed, with a note"), hanging(_reasons(remarks)), Text()]
    for verdict, title in _SECTIONS:
        skis = [ski for ski in result.skis if ski.verdict == verdict]
        if skis:
            parts += [Text(title, STYLES[verdict]), hanging(_reasons(skis))]
            parts += [prose(sentences([message("rehang")])), Text()] if verdict == "outlier" else [Text()]
    parts += calibrations_used(result.calibrations)
    return Group(*parts, _summary(result), prose(CAUTION, style="dim"))


def _fields(width: int) -> dict[str, Field[Ski]]:
    fields = by_key((*SKI_FIELDS, *_SHOWN))
    if width < WIDE:
        fields["predicted_hz"] = replace(fields["predicted_hz"], u="")
    return fields


def _table(skis: Sequence[Ski], width: int) -> RenderableType:
    styles = {"verdict": lambda ski: STYLES[ski.verdict]}
    return fields_table(tuple(_fields(width).values()), skis, width, keys=COLUMNS, styles=styles)


def _legend() -> str:
    keys = [key for key in COLUMNS if key not in ("ski_id", "mass_g", "stiffness_n_per_mm", "verdict")]
    return f"{fields_legend(tuple(_fields(WIDE).values()), keys=keys)} ±: one standard uncertainty."


def _group(group: GroupSummary) -> tuple[str, str, str]:
    what = f"{shown(group.length_class)} mm, {group.binding}, {counted(group.count, 'ski')}"
    figures = []
    for word, value, sign in (("centre", group.centre_percent, True), ("spread", group.spread_percent, False)):
        if value is not None and math.isfinite(value):
            figures.append(f"{word} {number(value, 1, sign=sign)} %")
    if group.limit_percent is not None and math.isfinite(group.limit_percent):
        figures.append(f"limit ±{number(group.limit_percent, 1)} % from the centre")
    return shown(group.construction), "", f"{what}: {', '.join(figures) or 'no figures'}. Basis: {group.basis}."


def _set_so_that(result: CheckResult) -> RenderableType:
    told = [f"Set so that at most 1 good ski in {1 / result.settings.false_alarm_rate:.0f} is flagged by mistake."]
    changed = not_default(result.settings)
    return prose(" ".join([*told, *([f"Not as usual: {'; '.join(changed)}."] if changed else [])]), style="dim")


def _reasons(skis: Sequence[Ski]) -> list[tuple[str, str, str]]:
    return [
        (
            shown(ski.ski_id),
            "bold",
            sentences([each for each in ski.reasons if each.code != "rehang"]) or "No reason given.",
        )
        for ski in skis
    ]


def sentences(reasons: Sequence[Message | str]) -> str:
    """Reasons as sentences; a reason may come without a capital and a full stop."""
    return " ".join(f"{_begun(str(reason)).rstrip('.')}." for reason in reasons)


def _begun(reason: str) -> str:
    """With a capital, unless it begins with the name of a file."""
    return reason if "." in reason.split(maxsplit=1)[0] else reason[:1].upper() + reason[1:]


def _summary(result: CheckResult) -> Text:
    line = Text(counted(len(result.skis), "ski") + ": ", style="bold")
    shares = [(verdict, result.count(verdict)) for verdict in STYLES]
    for at, (verdict, count) in enumerate(shares):
        words = f"{count} {verdict}" + ("s" if verdict == "outlier" and count != 1 else "")
        line.append((", " if at else "") + words, STYLES[verdict] if count else "dim")
    unread = len(result.problems) + len(result.unread)
    if unread:
        line.append(f"; {counted(unread, 'input')} could not be read, named below", "yellow")
    return line
