"""A session of tapping: as a view that is drawn again and again, and as plain lines for where there is no terminal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.capture import events
from taptest.capture.agreement import Difference, listed
from taptest.capture.stream import Level
from taptest.config.limits import LIMITS
from taptest.core.errors import shown
from taptest.present.text.analysis_table import TAP_REASONS
from taptest.present.text.tables import CAUTION, counted, hanging, number, prose
from taptest.present.text.verdict_table import STYLES
from taptest.ski.record import Ski

KEYS = "r repeat   d drop last tap   s skip   n note   q quit   (then Enter)"
SCAN = "or type or scan the id of a ski, then Enter"
_MODES = 6
_LOWEST_DB = -90.0


@dataclass(frozen=True)
class Moment:
    """Everything a view of this moment is made of; ``typed`` is the line being typed, ``stopped`` why nothing is heard."""

    status: events.Status
    source: str
    level: Level | None = None
    typed: str = ""
    stopped: str = ""


def live_view(moment: Moment, width: int) -> Group:
    """The whole screen: which ski, how loud, how many taps, what was wrong with the last one, and the keys."""
    status = moment.status
    lines = [_last(status.last)]
    if status.done is not None:
        told = (
            _done(status.done)
            if isinstance(status.done, events.SkiDone)
            else f"first look: {_verdict(status.done.verdict)}"
        )
        lines.append((shown(status.done.ski_id, 20), _style(status.done.verdict), told))
    if status.told is not None:
        lines.append(("note", "yellow" if status.told.trouble else "bold", status.told.text))
    lost = moment.level.lost_frames if moment.level is not None else 0
    if lost:
        lines.append(("lost", "yellow", f"{counted(lost, 'sample')} did not arrive; a tap they touch is not counted"))
    if moment.stopped:
        lines.append(("stopped", "bold red", moment.stopped))
    parts: list[RenderableType] = [_title(status, width), Text(), *_level(moment.level, width), Text()]
    parts += [hanging(lines), Text()]
    if status.question is not None:
        parts.append(Text(status.question, "bold"))
    parts += [Text(f"> {shown(moment.typed, width - 6)}_"), Text(KEYS, "dim"), Text(SCAN, "dim")]
    return Group(*parts)


def plain_line(event: events.SessionEvent) -> str:
    """One event in one or more lines of plain text."""
    if isinstance(event, events.SkiUp):
        more = f"{event.good} of {event.needed} good" if event.good else f"tap it {event.needed} times"
        return f"{shown(event.ski_id)}: {more}; {counted(event.left, 'ski')} to go"
    if isinstance(event, events.TapKept):
        if event.differs is not None:
            good = f"{event.good} of {event.needed} good"
            return f"{shown(event.ski_id)}: {good}, but {_two_skis(event.differs)}"
        return f"{shown(event.ski_id)}: tap {event.good} of {event.needed} good: {_frequencies(event.frequencies_hz)}"
    if isinstance(event, events.TapRefused):
        return f"{shown(event.ski_id)}: not counted, {event.good} of {event.needed} good: {_why(event.reasons)}"
    if isinstance(event, events.FirstLook):
        return f"{shown(event.ski_id)}: first look: {_verdict(event.verdict)}"
    if isinstance(event, events.SkiDone):
        return "\n".join(f"{shown(event.ski_id)}: {part}" for part in _done(event).split("; ", 1))
    if isinstance(event, events.Asked):
        return f"? {event.question}"
    if isinstance(event, events.Told):
        return f"note: {event.text}" if event.trouble and not event.tap_lost else event.text
    return _ended(event)


def closing_view(done: Sequence[events.SkiDone], ended: events.Ended, *, in_full: bool) -> RenderableType:
    """What a session has come to, to be left on the screen; ``in_full`` with the verdicts that a live view has wiped."""
    rows = [(shown(each.ski_id), _style(each.verdict), _done(each)) for each in done]
    parts: list[RenderableType] = [hanging(rows)] if rows and in_full else []
    parts.append(Text())
    parts.append(Text(f"{counted(len(done), 'ski')} recorded. {_ended(ended)}", "bold"))
    if rows:
        parts.append(
            prose("First verdicts hold each ski against its own prediction; `taptest check` compares them all.")
        )
        parts.append(prose(CAUTION, style="dim"))
    return Group(*parts)


def _title(status: events.Status, width: int) -> Text:
    if status.ski_id is None:
        return Text("no ski is up", "bold")
    boxes = "#" * min(status.good, 40) + "." * min(max(status.needed - status.good, 0), 40)
    left = f"{shown(status.ski_id, 24)}   {status.good} of {status.needed} taps good  [{boxes}]"
    right = f"{counted(status.left, 'ski')} to go"
    return Text.assemble((left, "bold"), " " * max(width - len(left) - len(right), 2), right)


def _level(level: Level | None, width: int) -> list[Text]:
    if level is None:
        return [Text("level  waiting for the first sound", "dim"), Text()]
    bar = max(width - 44, 16)

    def place(db: float) -> int:
        return round(min(max(1 - db / _LOWEST_DB, 0.0), 1.0) * (bar - 1))

    cells = ["#" if at <= place(level.rms_db) else "." for at in range(bar)]
    cells[place(level.floor_db)] = "'"
    cells[place(level.peak_db)] = "|"
    loud = "red" if level.peak_db > LIMITS.input.too_loud_db else "green"
    figures = f"{_db(level.rms_db)} dB   peak {_db(level.peak_db)}   noise {_db(level.floor_db)}"
    too_loud = (
        Text("        too loud: turn the recording level down", "red")
        if level.peak_db > LIMITS.input.too_loud_db
        else Text()
    )
    return [Text.assemble("level  ", ("".join(cells), loud), "  ", figures), too_loud]


def _db(value: float) -> str:
    return f"{max(value, -199):4.0f}" if value == value else "   -"


def _last(last: events.TapKept | events.TapRefused | None) -> tuple[str, str, str]:
    if last is None:
        return "last tap", "dim", "none yet: tap it once, lightly, and let it ring"
    if isinstance(last, events.TapKept):
        if last.differs is not None:
            return "last tap", "bold yellow", _two_skis(last.differs)
        return "last tap", "green", f"good: {_frequencies(last.frequencies_hz)}"
    return "last tap", "yellow", f"not counted: {_why(last.reasons)}"


def _two_skis(apart: Difference) -> str:
    one = len(apart.taps) == 1
    more = " or more" if apart.percent >= 100 * LIMITS.agreement.farthest else ""
    others = f"{'tap' if len(apart.others) == 1 else 'taps'} {listed(apart.others)}"
    return (
        f"{'tap' if one else 'taps'} {listed(apart.taps)} {'sounds' if one else 'sound'} like another ski than {others} "
        f"(modes {number(apart.percent, 1)} %{more} apart): see which ski hangs there. Only taps that agree count; "
        "d drops the last, r starts anew, k counts them all"
    )


def _frequencies(frequencies_hz: Sequence[float]) -> str:
    if not frequencies_hz:
        return "no modes"
    more = f" and {len(frequencies_hz) - _MODES} more" if len(frequencies_hz) > _MODES else ""
    return f"{', '.join(number(hz, 1) for hz in frequencies_hz[:_MODES])} Hz{more}"


def _why(reasons: Sequence[str]) -> str:
    told = []
    for reason in reasons:
        what, remedy = TAP_REASONS.get(reason, ("", ""))
        told.append(f"{reason}: {what}; {remedy}" if what else reason)
    return ". ".join(told)


def _done(done: events.SkiDone) -> str:
    verdict = done.verdict
    files = ", ".join(shown(path.name, 80) for path in done.recordings)
    if verdict is None:
        return f"recorded, but no verdict; {counted(done.taps, 'tap')} in {files}"
    said = map(str, verdict.reasons)
    reasons = "".join(f" {reason[:1].upper()}{reason[1:].rstrip('.')}." for reason in said)
    return f"{_verdict(verdict)}; {counted(done.taps, 'tap')} in {files}.{reasons}"


def _verdict(verdict: Ski) -> str:
    if verdict.first_mode_hz is not None and verdict.predicted_hz is not None:
        return (
            f"{verdict.verdict}, first mode {number(verdict.first_mode_hz, 1)} Hz against "
            f"{number(verdict.predicted_hz, 1)} predicted "
            f"({number(verdict.deviation_percent, 1, sign=True)} ±{number(verdict.deviation_u_percent, 1)} %)"
        )
    return verdict.verdict


def _style(verdict: Ski | None) -> str:
    return next((style for word, style in STYLES.items() if verdict is not None and word == verdict.verdict), "bold")


def _ended(ended: events.Ended) -> str:
    if not ended.unfinished:
        return "Nothing is left half done."
    skis = ", ".join(f"{shown(ski_id)} ({counted(taps, 'tap')})" for ski_id, taps in ended.unfinished)
    return f"Kept, to be gone on with next time: {skis}."
