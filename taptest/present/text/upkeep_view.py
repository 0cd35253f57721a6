"""What verifying and merging a logbook came to, for a terminal."""

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from taptest.core.errors import shown
from taptest.logbook.merge import Merged
from taptest.logbook.verify import Verified
from taptest.present.text.tables import counted, hanging, heading, prose

_AT_MOST = 20


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
    if found.sound:
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
