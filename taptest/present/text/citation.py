"""How calibrations are cited under a table."""

from collections.abc import Sequence

from rich.console import RenderableType
from rich.text import Text

from taptest.config.corrections import Citation
from taptest.core.errors import shown
from taptest.present.text.tables import counted, hanging, heading


def calibrations_used(citations: Sequence[Citation]) -> list[RenderableType]:
    """The calibrations that a result rests on, under a heading of their own; nothing without any."""
    return [heading("Calibrations"), hanging(cited(each) for each in citations), Text()] if citations else []


def cited(citation: Citation) -> tuple[str, str, str]:
    """One calibration: what it did, when it was made and in which file it is."""
    return shown(citation.kind), "bold", f"{citation.effect}; made {_when(citation)} ({shown(citation.file, 80)})."


def dated(citation: Citation) -> str:
    """The same in few words: its kind and when it was made."""
    return f"{shown(citation.kind)} of {_when(citation)}"


def _when(citation: Citation) -> str:
    return f"{citation.made:%Y-%m-%d}, {_age(citation.age_days)}"


def _age(days: float) -> str:
    if days < -0.01:
        return "dated ahead of this clock"
    return "less than a day old" if days < 1 else f"{counted(int(days), 'day')} old"
