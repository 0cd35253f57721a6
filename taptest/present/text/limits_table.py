"""Every figure that judges, for a terminal."""

from collections.abc import Sequence

from rich.console import Group
from rich.text import Text

from taptest.config.limits import NamedLimit
from taptest.core.errors import shown
from taptest.present.text.tables import hanging, heading, prose


def limits_view(limits: Sequence[NamedLimit], files: Sequence[str], width: int) -> Group:
    """Limits by group, a line each: name, value with unit, effect and source."""
    parts: list[object] = []
    for group in dict.fromkeys(each.name.partition(".")[0] for each in limits):
        own = [each for each in limits if each.name.startswith(f"{group}.")]
        parts += [heading(group), hanging((_name(each), "", _sentence(each)) for each in own), Text()]
    told = f"Read: {', '.join(shown(each, 200) for each in files)}." if files else "No taptest.toml was found."
    return Group(*parts, prose(f"*: may be set in taptest.toml, under [limits.GROUP]. {told}", style="dim"))  # type: ignore[arg-type]


def _name(each: NamedLimit) -> str:
    return each.name.partition(".")[2] + ("*" if each.settable else "")


def _sentence(each: NamedLimit) -> str:
    changed = "" if each.value == each.default else f" (default {each.default})"
    value = f"{each.value:g}" if isinstance(each.value, float) else str(each.value)
    between = f", {each.least:g} to {each.most:g}" if each.least is not None and each.most is not None else ""
    return f"{f'{value} {each.unit}'.strip()}{changed}{between}: {each.effect}. Source: {each.source}."
