"""The logbook for a terminal; times as the clock on the wall has them."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import PurePath
from typing import cast

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.logbook.book import Entered
from taptest.logbook.history import Change, History, HistoryPoint, softness
from taptest.logbook.reading import LoggedMode, LoggedVerdict, SkiPage, SkiSummary
from taptest.present.text.softness_words import history_picture, softness_view
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
from taptest.present.text.verdict_table import STYLES, sentences
from taptest.ski.record import Verdict

_HISTORY = (
    "tone: what the bending modes that both measurements have share of a change, in percent of the first, ± one standard "
    "uncertainty; damping, mass, stiff.: the same of those; ! beyond twice its uncertainty, so more than repeating it explains."
)


def added_view(entered: Sequence[Entered], logbook: str) -> Group:
    """What was entered, file by file."""
    lines: list[RenderableType] = []
    for each in entered:
        what = "recording" if each.skis is None else f"lot, {counted(each.skis, 'ski')}"
        state = "entered" if each.added.new else "was in the logbook already"
        lines.append(Text.assemble((shown(each.file, 60), "bold"), f": {what}, {state}."))
    return Group(*lines, prose(f"Logbook: {logbook}", style="dim"))


def list_view(skis: Sequence[SkiSummary], more: bool, width: int) -> Group:
    """Every ski in a line."""
    if not skis:
        return Group(Text("No ski in the logbook is like that."))
    columns = [
        ("ski", "fold"),
        ("measured", "left"),
        ("construction", "left"),
        ("first\nHz", "right"),
        ("off by\n%", "right"),
        ("damp\n%", "right"),
        *([("station", "fold")] if width >= WIDE else []),
        ("verdict", "left"),
    ]
    table = ruled_table(width, columns)
    for ski in skis:
        table.add_row(
            name(ski.ski_id),
            _local(ski.measured),
            shown(PurePath(ski.construction or "-").stem, 20),
            with_u(ski.first_mode_hz, ski.first_mode_u_hz, 1),
            number(ski.deviation_percent, 1, sign=True),
            _percent(ski.damping_ratio),
            *([name(ski.station)] if width >= WIDE else []),
            _word(ski.verdict),
        )
    tail = f"The {len(skis)} measured last; --limit shows more." if more else f"{counted(len(skis), 'ski')}."
    return Group(pinned(table, width), Text(), Text(tail, style="bold"))


def ski_view(page: SkiPage, width: int) -> Group:
    """One ski's last verdict and what it rests on."""
    parts: list[RenderableType] = []
    last = page.last
    if last is None:
        parts.append(Text.assemble((shown(page.ski_id), "bold"), "  never judged; its sounds were analysed"))
    else:
        head = f"  measured {_local(last.measured)} at {shown(last.station)}"
        parts += [Text.assemble((shown(page.ski_id), "bold"), head), Text()]
        parts += [hanging(_particulars(last)), Text()]
        if last.modes:
            parts += [_modes(last.modes, width), Text()]
        if page.calibrations:
            lines = [
                (each.kind, "", f"{_local(each.made)}, {shown(each.file)}: {each.effect}.")
                for each in page.calibrations
            ]
            parts += [heading("Calibrations"), hanging(lines), Text()]
    if page.recordings:
        parts.append(heading("Sounds"))
        for each in page.recordings:
            parts.append(prose(f"{shown(each.name)}  {_local(each.recorded)}, {each.duration_s:.1f} s, kept as"))
            parts.append(Text(f"  {each.file}", no_wrap=True, overflow="ignore"))
        parts.append(Text())
    if last is not None:
        parts += [
            Text.assemble(_word(last.verdict), f" ({counted(page.verdicts, 'verdict')} in the logbook)"),
            *([prose(sentences(last.reasons))] if last.reasons else []),
            prose(CAUTION, style="dim"),
        ]
    return Group(*parts)


def histories_view(histories: Sequence[History], width: int, *, plot: bool, dots: bool) -> Group:
    """Every ski's measurements, on request as pictures as well, and whether they have gone soft."""
    parts: list[RenderableType] = []
    for each in histories:
        parts += [history_view(each, width), Text()]
        picture = history_picture(each, width, dots=dots) if plot else None
        parts += [] if picture is None else [picture]
    answers = [softness(each) for each in histories]
    if any(each.stiffness is not None for each in answers):
        parts += [prose(_HISTORY, style="dim"), Text(), softness_view(answers)]
    return Group(*parts, prose(CAUTION, style="dim"))


def history_view(history: History, width: int) -> Group:
    """Every measurement in a line against the first, and one sentence on the last."""
    if not history.points:
        return Group(Text(f"{shown(history.ski_id)}: never judged, so there is nothing to compare."))
    columns = [
        ("measured", "left"),
        ("first\nHz", "right"),
        ("tone\n%", "right"),
        ("damping\n%", "right"),
        ("mass\n%", "right"),
        ("stiff.\n%", "right"),
        *([("station", "fold"), ("lot", "fold")] if width >= WIDE else []),
        ("verdict", "left"),
    ]
    table = ruled_table(width, columns)
    for point in history.points:
        verdict = point.verdict
        table.add_row(
            _local(verdict.measured),
            with_u(verdict.first_mode_hz, verdict.first_mode_u_hz, 1),
            _changed(point.tone, 2),
            _changed(point.damping, 0),
            _changed(point.mass, 1, u=False),
            _changed(point.stiffness, 1, u=False),
            *([name(verdict.station), name(verdict.lot)] if width >= WIDE else []),
            Text(f"({verdict.verdict})", "dim") if verdict.superseded else _word(verdict.verdict),
        )
    return Group(
        Text.assemble((shown(history.ski_id), "bold"), f"  {counted(len(history.points), 'measurement')}"),
        pinned(table, width),
        Text(),
        prose(_conclusion(history.points), style="bold"),
    )


def _conclusion(points: Sequence[HistoryPoint]) -> str:
    last = points[-1]
    if last.tone is None:
        return "Nothing to compare yet: two measurements with a bending mode in common are needed."
    found = []
    named = (
        ("tone", last.tone, 2),
        ("damping", last.damping, 0),
        ("mass", last.mass, 1),
        ("stiffness", last.stiffness, 1),
    )
    for what, change, decimals in named:
        if change is not None and change.exceeds:
            found.append(f"{what} {number(change.percent, decimals, sign=True)} %")
    if not found:
        return "The last measurement differs from the first by no more than repeating it explains."
    return (
        f"Since the first measurement: {', '.join(found)}, more than repeating it explains; hang it again and tap it once "
        "more before anything follows from that."
    )


def _particulars(verdict: LoggedVerdict) -> list[tuple[str, str, str]]:
    length, mass = (None if value is None else 1000 * value for value in (verdict.length_m, verdict.mass_kg))
    stiff = None if verdict.stiffness_n_per_m is None else verdict.stiffness_n_per_m / 1000
    span = None if verdict.span_m is None else 1000 * verdict.span_m
    told = [
        ("ski", "", f"{shown(verdict.construction or '-')}, {number(length, 0)} mm, {number(mass, 0)} g"),
        ("bending", "", f"{number(stiff, 2)} N/mm at {number(span, 0)} mm"),
        (
            "first mode",
            "",
            f"{with_u(verdict.first_mode_hz, verdict.first_mode_u_hz, 1)} Hz, predicted "
            f"{with_u(verdict.predicted_hz, verdict.predicted_u_hz, 1)} Hz",
        ),
        ("taps", "", f"{verdict.taps_good} of {verdict.taps_found} used"),
        ("lot", "", f"{shown(verdict.lot)}, judged {_local(verdict.made)} by {verdict.software}"),
    ]
    if verdict.operator is not None:
        told.append(("operator", "", shown(verdict.operator)))
    if verdict.temperature_c is not None:
        told.append(("room", "", f"{number(verdict.temperature_c, 0)} °C"))
    if verdict.note:
        told.append(("note", "", shown(verdict.note, 200)))
    return told


def _modes(modes: Sequence[LoggedMode], width: int) -> RenderableType:
    columns = [
        ("mode", "left"),
        ("Hz", "right"),
        ("predicted\nHz", "right"),
        ("damping\n%", "right"),
        ("flags", "fold"),
    ]
    table = ruled_table(width, columns)
    for mode in modes:
        table.add_row(
            f"{mode.family} {mode.order}",
            with_u(mode.frequency_hz, mode.frequency_u_hz, 2),
            number(mode.predicted_hz, 1),
            with_u(100 * mode.damping_ratio, 100 * mode.damping_ratio_u, 2),
            ", ".join(mode.flags),
        )
    return pinned(table, width)


def _changed(change: Change | None, decimals: int, *, u: bool = True) -> Text:
    if change is None:
        return Text("-")
    text = with_u(change.percent, change.u_percent if u else None, decimals, sign=True)
    return Text(f"{text}!" if change.exceeds else f"{text} ", "yellow" if change.exceeds else "")


def _word(verdict: str | None) -> Text:
    return Text("not checked", "dim") if verdict is None else Text(verdict, STYLES.get(cast(Verdict, verdict), ""))


def _percent(ratio: float | None) -> str:
    return number(None if ratio is None else 100 * ratio, 2)


def _local(when: datetime) -> str:
    return f"{when.astimezone():%Y-%m-%d %H:%M}"
