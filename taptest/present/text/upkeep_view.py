"""What verifying, merging, exporting and importing came to, for a terminal."""

from collections.abc import Mapping, Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.logbook.book import Entered
from taptest.logbook.export import Exported
from taptest.logbook.merge import Merged
from taptest.logbook.verify import Verified
from taptest.present.text.tables import counted, hanging, heading, prose

_AT_MOST = 20
_TOLD = ("skis", "verdicts", "analyses", "recordings")


def verified_view(found: Verified) -> Group:
    """What was mended, what is wrong still, and one sentence on the whole."""
    parts: list[RenderableType] = []
    if found.mended:
        parts += [heading("Mended"), *_sentences(found.mended), Text()]
    if found.faults:
        lines = [
            (shown(each.where, 20), "bold", f"{shown(each.id, 80)} {each.told}.") for each in found.faults[:_AT_MOST]
        ]
        parts += [heading("Wrong"), hanging(lines), *_more(len(found.faults)), Text()]
    if found.notes:
        parts += [*_sentences(found.notes), Text()]
    seen = f"{counted(found.sounds, 'sound')} and {counted(found.rows, 'row')} are as they were entered"
    if found.ok:
        parts.append(prose(f"Sound: {seen}.", style="bold"))
    else:
        wrong = counted(len(found.faults), "thing")
        parts.append(prose(f"Not sound: {wrong} could not be mended. Nothing was deleted.", style="bold"))
    return Group(*parts, prose(f"Logbook: {found.logbook}", style="dim"))


def merged_view(done: Merged) -> Group:
    """What was new, and what the two logbooks do not agree on."""
    parts: list[RenderableType] = []
    if done.conflicts:
        told = [each.told for each in done.conflicts]
        parts += [heading("The two do not agree"), *_sentences(told), Text()]
    if done.anything_new:
        new = done.entered
        what = (
            f"{counted(new.get('verdicts', 0), 'verdict')}, {counted(new.get('skis', 0), 'new ski')}, "
            f"{counted(new.get('recordings', 0), 'recording')}, {counted(done.sounds_copied, 'sound file')} copied"
        )
    else:
        what = "nothing that was not here before"
    parts.append(prose(f"Taken over: {what}.", style="bold"))
    return Group(*parts, prose(f"From {done.source} into {done.target}", style="dim"))


def _sentences(told: Sequence[str]) -> list[RenderableType]:
    return [*(prose(f"- {each}.") for each in told[:_AT_MOST]), *_more(len(told))]


def _more(count: int) -> list[RenderableType]:
    return [Text(f"and {count - _AT_MOST} more; --json has them all")] if count > _AT_MOST else []


def exported_view(done: Sequence[Exported]) -> Group:
    """A line for every file or folder."""
    lines = []
    for each in done:
        what = [f"{count} {name}" for name, count in each.rows.items() if len(each.rows) == 1 or name in _TOLD]
        if not each.rows:
            what = ["nothing"] if not each.sounds else [counted(each.sounds, "sound")]
        lines.append(f"{shown(each.target, 200)}: {', '.join(what)}.")
    return _lines(lines)


def imported_view(done: Sequence[Merged], lots: Sequence[Entered], logbook: str) -> Group:
    """A line for every folder and lot, and one on what is missing."""
    lines = []
    for each in done:
        lines.append(f"{shown(each.source, 200)}: {_rows(each.entered)} entered.")
        if each.known:
            lines.append(f"  {counted(each.known, 'row')} there already")
        if each.left_out:
            lines.append(f"  {counted(len(each.left_out), 'row')} refused: each is named below, and why")
        lines += [f"  {conflict.told}" for conflict in each.conflicts]
        if each.sounds_missing:
            lines.append(
                f"  {counted(len(each.sounds_missing), 'sound')} not there: --recordings names the folder of the copies"
            )
    for lot in lots:
        state = "entered" if lot.added.new else "was in the logbook already"
        lines.append(f"{shown(lot.file, 200)}: lot, {counted(lot.skis or 0, 'ski')}: {state}.")
    return _lines([*lines, f"Logbook: {shown(logbook, 200)}"])


def _lines(lines: Sequence[str]) -> Group:
    return Group(*(Text(line, no_wrap=True, overflow="ignore") for line in lines))


def _rows(entered: Mapping[str, int]) -> str:
    told = [f"{entered[name]} {name}" for name in _TOLD if entered.get(name)]
    return ", ".join(told) or "nothing new"
