"""The common look of all tables: plain dashes, units in the headings, prose of a readable width."""

import math
from collections.abc import Iterable

from rich.box import Box
from rich.cells import cell_len
from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from taptest.core.errors import shown

CAUTION = (
    "A tone is no proof of strength: a ski may ring as it should and still be damaged. "
    "Decide nothing about mounting or drilling from it."
)

# Plain dashes read the same in every encoding and survive being copied into a message.
_RULED = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)
WIDE = 100
_PROSE_WIDTH = 100
_LEAST_FOLDED = 4
_NAME_CHARACTERS = 60


def ruled_table(width: int, headings: Iterable[tuple[str, str]]) -> Table:
    """A table with these headings; each with "left", "right" or "fold" (left, and wrapped where it is long)."""
    gap = 1 if width >= WIDE else 0
    table = Table(box=_RULED, padding=(0, gap), show_edge=False, pad_edge=False, header_style="bold")
    for heading, alignment in headings:
        folded = alignment == "fold"
        table.add_column(
            heading,
            justify="right" if alignment == "right" else "left",
            vertical="top",
            overflow="fold",
            no_wrap=not folded,
            max_width=(22 if width >= WIDE else 14) if folded else None,
        )
    return table


def pinned(table: Table, width: int) -> Table:
    """The same table, which would rather be wider than the screen than lose a digit on a narrow one."""
    for column in table.columns:
        texts = [str(cell) for cell in (column.header, *column.cells)]
        longest = max(cell_len(line) for text in texts for line in text.splitlines() or [""])
        column.min_width = longest if column.no_wrap else min(longest, _LEAST_FOLDED)
    between = 1 + 2 * table.padding[1]
    needed = sum(column.min_width or 0 for column in table.columns) + between * (len(table.columns) - 1)
    if needed > width:
        table.width = needed
    return table


def prose(text: str, *, indent: int = 0, style: str = "") -> RenderableType:
    """A paragraph, no wider than is comfortable to read."""
    return hanging([("", "", text)], indent=indent, style=style)


def hanging(lines: Iterable[tuple[str, str, str]], *, indent: int = 0, style: str = "") -> RenderableType:
    """Lines of a name, a style for it, and a sentence that wraps beside the name."""
    grid = Table.grid(padding=(0, 2, 0, 0))
    rows = list(lines)
    named = any(name for name, _, _ in rows)
    if named:
        grid.add_column(overflow="fold", max_width=24)
    grid.add_column(overflow="fold", max_width=_PROSE_WIDTH)
    for name, name_style, sentence in rows:
        cells = [Text(name, name_style)] if named else []
        grid.add_row(*cells, Text(sentence, style))
    return Padding(grid, (0, 0, 0, indent))


def heading(text: str) -> Text:
    return Text(text, style="bold")


def name(text: object) -> Text:
    """Text from a table or a file name, with nothing in it that a terminal would obey."""
    return Text(shown(text, _NAME_CHARACTERS))


def number(value: float | None, decimals: int, *, sign: bool = False) -> str:
    """A number with a fixed count of decimals; "-" where there is none."""
    if value is None or not math.isfinite(value):
        return "-"
    text = f"{value:{'+' if sign else ''}.{decimals}f}"
    return text.replace("-", "") if not float(text) else text


def with_u(value: float | None, uncertainty: float | None, decimals: int, *, sign: bool = False) -> str:
    """A number and its standard uncertainty, which is never rounded down to nothing."""
    if value is None or uncertainty is None or not math.isfinite(uncertainty):
        return number(value, decimals, sign=sign)
    least = 10.0**-decimals
    return f"{number(value, decimals, sign=sign)} ±{max(uncertainty, least):.{decimals}f}"


def note(tone: tuple[str, float]) -> str:
    """Note name and cents, in columns: "F#3 -12"."""
    return f"{tone[0]:<3} {tone[1]:+3.0f}"


def counted(count: int, noun: str) -> str:
    """ "1 tap", "2 taps"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def limit_or(damping_ratio_limit: float | None, heard: str) -> str:
    """The upper limit of a damping, in percent of critical, where the room hides it; otherwise the damping as heard."""
    return heard if damping_ratio_limit is None else f"<{number(100 * damping_ratio_limit, 2)}"
