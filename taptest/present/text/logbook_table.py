"""The logbook for a terminal; times as the clock on the wall has them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import hypot
from pathlib import PurePath
from typing import Any, cast

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.core.fields import Field
from taptest.logbook.book import Entered
from taptest.logbook.history import Change, History, HistoryPoint, Softness, softness
from taptest.logbook.reading import LoggedMode, LoggedVerdict, SkiPage, SkiSummary, fields_of
from taptest.present.text import tables
from taptest.present.text.characters import CharacterPicture, even_axis
from taptest.present.text.tables import counted, fields_table, heading, number, prose, with_u
from taptest.present.text.verdict_table import STYLES, sentences
from taptest.ski.record import Verdict

_HISTORY = (
    "tone: what the bending modes that both measurements have share of a change, in percent of the first, ± one standard "
    "uncertainty; damping, mass, stiff.: the same of those; ! beyond twice its uncertainty, so more than repeating it explains."
)
_HEIGHT = 14
_WIDEST = 120
_DAY_S = 86_400.0

_FIRST_MODE: tuple[Field[Any], ...] = (
    Field("first_hz", lambda each: each.first_mode_hz, heading="first\nHz", u="first_u_hz"),
    Field("first_u_hz", lambda each: each.first_mode_u_hz),
)
_LIST: tuple[Field[SkiSummary], ...] = (
    Field("ski", lambda ski: ski.ski_id, "text", heading="ski", align="fold"),
    Field("measured", lambda ski: _local(ski.measured), "text", heading="measured"),
    Field("construction", lambda ski: PurePath(ski.construction or "-").stem[:20], "text", heading="construction"),
    *_FIRST_MODE,
    Field("off", lambda ski: ski.deviation_percent, heading="off by\n%", sign=True),
    Field("damp", lambda ski: ski.damping_ratio, heading="damp\n%", decimals=2, scale=100),
    Field("station", lambda ski: ski.station, "text", heading="station", align="fold"),
    Field("verdict", lambda ski: _word(ski.verdict), "text", heading="verdict"),
)
_MODES: tuple[Field[LoggedMode], ...] = (
    *fields_of(LoggedMode),
    Field("mode", lambda mode: f"{mode.family} {mode.order}", "text", heading="mode"),
    Field("hz", lambda mode: mode.frequency_hz, heading="Hz", decimals=2, u="frequency_u_hz"),
    Field("predicted", lambda mode: mode.predicted_hz, heading="predicted\nHz"),
    Field("damp", lambda mode: mode.damping_ratio, heading="damping\n%", decimals=2, scale=100, u="damping_ratio_u"),
    Field("flags_", lambda mode: ", ".join(mode.flags), "text", heading="flags", align="fold"),
)
_POINTS: tuple[Field[HistoryPoint], ...] = (
    Field("measured", lambda point: _local(point.verdict.measured), "text", heading="measured"),
    Field("first_hz", lambda point: point.verdict.first_mode_hz, heading="first\nHz", u="first_u_hz"),
    Field("first_u_hz", lambda point: point.verdict.first_mode_u_hz),
    Field("tone", lambda point: _changed(point.tone, 2), heading="tone\n%"),
    Field("damping", lambda point: _changed(point.damping, 0), heading="damping\n%"),
    Field("mass", lambda point: _changed(point.mass, 1, u=False), heading="mass\n%"),
    Field("stiffness", lambda point: _changed(point.stiffness, 1, u=False), heading="stiff.\n%"),
    Field("station", lambda point: point.verdict.station, "text", heading="station", align="fold"),
    Field("lot", lambda point: point.verdict.lot, "text", heading="lot", align="fold"),
    Field("verdict", lambda point: _point_word(point.verdict), "text", heading="verdict"),
)


def _keys(fields: Sequence[Field[Any]], width: int) -> list[str]:
    """Station and lot are for wide screens."""
    narrow = width < tables.WIDE
    return [each.key for each in fields if each.heading and not (narrow and each.key in ("station", "lot"))]


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
    tail = f"The {len(skis)} measured last; --limit shows more." if more else f"{counted(len(skis), 'ski')}."
    return Group(fields_table(_LIST, skis, width, keys=_keys(_LIST, width)), Text(), Text(tail, style="bold"))


def ski_view(page: SkiPage, width: int) -> Group:
    """One ski's last verdict and what it rests on."""
    parts: list[RenderableType] = []
    last = page.last
    if last is None:
        parts.append(Text.assemble((shown(page.ski_id), "bold"), "  never judged; its sounds were analysed"))
    else:
        head = f"  measured {_local(last.measured)} at {shown(last.station)}"
        parts += [Text.assemble((shown(page.ski_id), "bold"), head), Text()]
        parts += [tables.hanging(_particulars(last)), Text()]
        if last.modes:
            parts += [
                fields_table(_MODES, last.modes, width, keys=("mode", "hz", "predicted", "damp", "flags_")),
                Text(),
            ]
        if page.calibrations:
            lines = [
                (each.kind, "", f"{_local(each.made)}, {shown(each.file)}: {each.effect}.")
                for each in page.calibrations
            ]
            parts += [heading("Calibrations"), tables.hanging(lines), Text()]
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
            prose(tables.CAUTION, style="dim"),
        ]
    return Group(*parts)


def histories_view(histories: Sequence[History], width: int, *, plot: bool, dots: bool) -> Group:
    """Every ski's measurements, on request as pictures as well, and whether they have gone soft."""
    parts: list[RenderableType] = []
    for each in histories:
        parts += [_history(each, width), Text()]
        picture = history_picture(each, width, dots=dots) if plot else None
        parts += [] if picture is None else [picture]
    answers = [softness(each) for each in histories]
    if any(each.stiffness is not None for each in answers):
        parts += [prose(_HISTORY, style="dim"), Text(), softness_view(answers)]
    return Group(*parts, prose(tables.CAUTION, style="dim"))


def _history(history: History, width: int) -> Group:
    """Every measurement in a line against the first, and one sentence on the last."""
    if not history.points:
        return Group(Text(f"{shown(history.ski_id)}: never judged, so there is nothing to compare."))
    return Group(
        Text.assemble((shown(history.ski_id), "bold"), f"  {counted(len(history.points), 'measurement')}"),
        fields_table(_POINTS, history.points, width, keys=_keys(_POINTS, width)),
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


def _changed(change: Change | None, decimals: int, *, u: bool = True) -> Text:
    if change is None:
        return Text("-")
    text = with_u(change.percent, change.u_percent if u else None, decimals, sign=True)
    return Text(f"{text}!" if change.exceeds else f"{text} ", "yellow" if change.exceeds else "")


def _word(verdict: str | None) -> Text:
    return Text("not checked", "dim") if verdict is None else Text(verdict, STYLES.get(cast(Verdict, verdict), ""))


def _point_word(verdict: LoggedVerdict) -> Text:
    return Text(f"({verdict.verdict})", "dim") if verdict.superseded else _word(verdict.verdict)


def _local(when: datetime) -> str:
    return f"{when.astimezone():%Y-%m-%d %H:%M}"


# --- gone soft? --------------------------------------------------------------------------------------------------------


def softness_view(found: Sequence[Softness]) -> Group:
    """The question and an answer for each ski."""
    return Group(heading("Gone soft?"), *(prose(f"{shown(each.ski_id)}: {_words(each)}") for each in found), Text())


def _words(found: Softness) -> str:
    if found.stiffness is None:
        return "cannot be told before two measurements with a bending mode in common."
    least = number(found.seen_above_percent, 1)
    change = number(abs(found.stiffness.percent), 1)
    weighed = "" if found.mass_known else " It was not weighed both times, and a heavier ski rings lower, too."
    bends = found.bends
    if found.answer == "maybe softer":
        by_tone = found.stiffness.exceeds
        says = f"its tone is what about {change} % less stiffness would do" if by_tone else "its tone does not show it"
        if bends is None:
            test = "; bend it again, as it was bent at first"
        elif bends.exceeds and bends.percent < 0:
            test = f"; in the bending test it is {number(abs(bends.percent), 1)} % softer"
        else:
            read = f"{with_u(bends.percent, bends.u_percent, 1, sign=True)} %"
            apart = abs(bends.percent - found.stiffness.percent)
            if apart > LIMITS.logbook.coverage_factor * hypot(bends.u_percent, found.stiffness.u_percent):
                test = f"; the bending test says otherwise: {read}"
            else:
                sense = (
                    "agrees but would not show it alone" if bends.percent < 0 else "neither shows it nor rules it out"
                )
                test = f"; the bending test reads {read}, which {sense}"
        return f"it may have: {says}{test}. Hang it again, tap it once more and look for a separation.{weighed}"
    if found.answer == "heavier":
        return "it rings lower, and its greater mass explains that: water, wax or a binding? No sign of lost stiffness."
    if found.answer == "not softer":
        return f"it does not look like it: its tone is what about {change} % more stiffness would do.{weighed}"
    return f"no sign of it. A loss of stiffness below about {least} % would not show.{weighed}"


def history_picture(history: History, width: int, *, dots: bool) -> Group | None:
    """Change of tone against time with its expanded uncertainty; None where there are fewer than two to compare."""
    points = [each for each in history.points if each.tone is not None]
    if not points:
        return None
    start = min(each.verdict.measured for each in history.points)
    days = [(each.verdict.measured - start).total_seconds() / _DAY_S for each in points]
    by_number = max(days) < 1
    across = [float(at) for at in range(1, len(points) + 1)] if by_number else days
    tones = [each.tone for each in points if each.tone is not None]
    low = min([0.0, *(each.percent - LIMITS.logbook.coverage_factor * each.u_percent for each in tones)])
    high = max([0.0, *(each.percent + LIMITS.logbook.coverage_factor * each.u_percent for each in tones)])
    room = 0.1 * (high - low) or 0.1
    picture = CharacterPicture(
        even_axis(-0.05 * max(across), 1.05 * max(across), "" if by_number else "days"),
        even_axis(low - room, high + room, "%"),
        width=min(width, _WIDEST),
        height=_HEIGHT,
        dots=dots,
    )
    picture.line([(0.0, 0.0), (max(across), 0.0)])
    picture.mark(0.0, 0.0, "o")
    for x, tone in zip(across, tones, strict=True):
        for share in range(-10, 11):
            picture.mark(x, tone.percent + share / 10 * LIMITS.logbook.coverage_factor * tone.u_percent, "|")
    for x, tone in zip(across, tones, strict=True):
        picture.mark(x, tone.percent, "!" if tone.exceeds else "o")
    what = "number of the measurement after the first" if by_number else "days since the first measurement"
    legend = f"Across: {what}. o: within twice its uncertainty (|) of the first; !: beyond."
    return Group(
        heading(f"Tone of {shown(history.ski_id)} against its first measurement"),
        Text(picture.text(), no_wrap=True, overflow="ignore"),
        prose(legend, style="dim"),
        Text(),
    )
