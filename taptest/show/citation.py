"""How a calibration is cited under a table."""

from taptest.errors import shown
from taptest.judge.trust import Citation
from taptest.show.tables import counted


def cited(citation: Citation) -> tuple[str, str, str]:
    """One calibration: what it did, when it was made and in which file it is."""
    when = f"{citation.made:%Y-%m-%d}, {_age(citation.age_days)}"
    return shown(citation.kind), "bold", f"{citation.effect}; made {when} ({shown(citation.file, 80)})."


def _age(days: float) -> str:
    if days < -0.01:
        return "dated ahead of this clock"
    return "less than a day old" if days < 1 else f"{counted(int(days), 'day')} old"
