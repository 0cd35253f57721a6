"""The verdicts on a lot, for a terminal: every ski in a line, then what to do, shortest at the end."""

import math
from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.core.messages import Message
from taptest.present.text.citation import calibrations_used
from taptest.present.text.tables import (
    CAUTION,
    WIDE,
    counted,
    hanging,
    heading,
    name,
    number,
    pinned,
    prose,
    ruled_table,
    with_u,
)
from taptest.screen.result import CheckResult, GroupSummary
from taptest.ski.record import Ski, Verdict

STYLES: dict[Verdict, str] = {"pass": "green", "recheck": "yellow", "outlier": "bold red", "not judged": "cyan"}
# What the verdicts ask for, the most urgent last: that is what stays on the screen.
_SECTIONS: tuple[tuple[Verdict, str], ...] = (
    ("not judged", "Not judged"),
    ("recheck", "Recheck"),
    ("outlier", "Set aside"),
)
_COLUMNS = (
    ("ski", "fold"),
    ("mass\ng", "right"),
    ("stiff\nN/mm", "right"),
    ("pred.\nHz", "right"),
    ("measured\nHz", "right"),
    ("off by\n%", "right"),
    ("uneven", "right"),
    ("damp\n%", "right"),
    ("taps", "right"),
    ("score", "right"),
    ("verdict", "left"),
)
_LEGEND = (
    "pred., measured: first bending mode as mass and stiffness predict it and as heard, ± one standard uncertainty; "
    "off by: measured against predicted, with the uncertainty of both; uneven: scatter of the modes about what they "
    "share, 1 is usual; damp: damping as a share of critical; taps: used of found; score: worst of shift, unevenness "
    "and damping against its own limit, which is 1."
)
_INFERRED = "The first mode is hardly audible and is worked out from the higher ones."
_SOME_HEARD = "The first mode is worked out from the higher ones, except where * marks that it was heard itself."


def check_view(result: CheckResult, width: int) -> Group:
    """Table, what its columns mean, groups, the skis to act on with the reasons, and one line to read aloud."""
    parts: list[RenderableType] = []
    if result.skis:
        parts += [_table(result.skis, width), Text(), prose(_legend(result.skis), style="dim"), Text()]
    if result.groups:
        parts += [heading("Groups"), hanging(_group(group) for group in result.groups), _budget(result), Text()]
    remarks = [ski for ski in result.skis if ski.verdict == "pass" and ski.reasons]
    if remarks:
        parts += [heading("Passed, with a remark"), hanging(_reasons(remarks)), Text()]
    for verdict, title in _SECTIONS:
        skis = [ski for ski in result.skis if ski.verdict == verdict]
        if skis:
            parts += [Text(title, STYLES[verdict]), hanging(_reasons(skis)), Text()]
    parts += calibrations_used(result.calibrations)
    return Group(*parts, _summary(result), prose(CAUTION, style="dim"))


def _table(skis: Sequence[Ski], width: int) -> RenderableType:
    table = ruled_table(width, _COLUMNS)
    some_heard = any(ski.first_mode_source == "heard" for ski in skis)
    for ski in skis:
        measured = with_u(ski.first_mode_hz, ski.first_mode_u_hz, 1)
        mark = ("*" if ski.first_mode_source == "heard" else " ") if some_heard else ""
        table.add_row(
            name(ski.ski_id),
            number(ski.mass_g, 0),
            number(ski.stiffness_n_per_mm, 2),
            with_u(ski.predicted_hz, ski.predicted_u_hz if width >= WIDE else None, 1),
            measured + mark,
            with_u(ski.deviation_percent, ski.deviation_u_percent, 1, sign=True),
            number(ski.residual_chi_square, 1),
            number(None if ski.damping_ratio is None else 100 * ski.damping_ratio, 2),
            f"{ski.taps_good}/{ski.taps_found}",
            number(ski.score, 1),
            Text(ski.verdict, STYLES[ski.verdict]),
        )
    return pinned(table, width)


def _legend(skis: Sequence[Ski]) -> str:
    measured = [ski for ski in skis if ski.first_mode_hz is not None]
    if any(ski.first_mode_source == "heard" for ski in measured):
        return f"{_LEGEND} {'' if all(ski.first_mode_source == 'heard' for ski in measured) else _SOME_HEARD}".rstrip()
    return f"{_LEGEND} {_INFERRED}" if measured else _LEGEND


def _group(group: GroupSummary) -> tuple[str, str, str]:
    what = f"{shown(group.length_class)} mm, {group.binding}, {counted(group.count, 'ski')}"
    figures = []
    for word, value, sign in (("centre", group.centre_percent, True), ("spread", group.spread_percent, False)):
        if value is not None and math.isfinite(value):
            figures.append(f"{word} {number(value, 1, sign=sign)} %")
    if group.limit_percent is not None and math.isfinite(group.limit_percent):
        figures.append(f"limit ±{number(group.limit_percent, 1)} % from the centre")
    return shown(group.construction), "", f"{what}: {', '.join(figures) or 'no figures'}. Basis: {group.basis}."


def _budget(result: CheckResult) -> RenderableType:
    return prose(
        f"At most one sound ski in {1 / result.settings.false_alarm_rate:.0f} is meant to be called an outlier.",
        style="dim",
    )


def _reasons(skis: Sequence[Ski]) -> list[tuple[str, str, str]]:
    return [(shown(ski.ski_id), "bold", sentences(ski.reasons) or "No reason was given.") for ski in skis]


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
