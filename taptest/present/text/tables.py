"""The common look of all tables: plain dashes, units in the headings, prose of a readable width."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

from rich.box import Box
from rich.cells import cell_len
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from taptest.core.errors import shown
from taptest.core.fields import Field, by_key

T = TypeVar("T")

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


def fields_table(
    fields: Sequence[Field[T]],
    rows: Iterable[T],
    width: int,
    *,
    keys: Sequence[str] | None = None,
    styles: Mapping[str, Callable[[T], str]] | None = None,
) -> Table:
    """Results as a table, a row each, that would rather be wider than the screen than lose a digit.

    A number has the field's decimals, sign and scale, and behind it the uncertainty that ``u`` names; a text or `Text` stands
    as it is (without control characters), and nothing known is "-".

    Args:
        fields: of the results, those that hold an uncertainty among them.
        rows: results.
        width: of the screen, in characters.
        keys: what is shown, in this order; by default every field with a heading.
        styles: by key, the style of a row's cell.

    Raises:
        KeyError: no field has one of the keys.
    """
    known = by_key(fields)
    columns = [each for each in fields if each.heading] if keys is None else [known[key] for key in keys]
    table = ruled_table(width, [(each.heading, each.align or _alignment(each)) for each in columns])
    styles = styles or {}
    for row in rows:
        cells = [_cell(each, row, known.get(each.u)) for each in columns]
        for each, cell in zip(columns, cells, strict=True):
            if each.key in styles:
                cell.stylize(styles[each.key](row))
        table.add_row(*cells)
    return pinned(table, width)


def fields_legend(fields: Iterable[Field[T]], *, keys: Sequence[str] | None = None) -> str:
    """What the columns mean, "heading: help; heading: help.", of the fields that have both, or of these keys."""
    known = by_key(fields)
    chosen = known.values() if keys is None else [known[key] for key in keys]
    lines = [f"{each.heading.splitlines()[0]}: {each.help}" for each in chosen if each.heading and each.help]
    return f"{'; '.join(lines)}." if lines else ""


def _alignment(field: Field[T]) -> str:
    return "right" if field.kind in ("number", "integer") else "left"


def _cell(field: Field[T], row: T, uncertain: Field[T] | None) -> Text:
    value = field.get(row)
    if isinstance(value, Text):
        return value.copy()
    if value is None:
        return Text("-")
    if isinstance(value, bool):
        return Text("yes" if value else "no")
    if isinstance(value, int | float):
        u = None if uncertain is None else uncertain.get(row)
        decimals = 0 if field.kind == "integer" else field.decimals
        scaled_u = None if u is None else field.scale * u
        return Text(with_u(field.scale * value, scaled_u, decimals, sign=field.sign))
    return Text(", ".join(shown(each) for each in value)) if isinstance(value, list | tuple) else name(value)


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


def lines(named: Mapping[str, str]) -> RenderableType:
    """Sentences beside their names, which are bold."""
    return hanging((name, "bold", sentence) for name, sentence in named.items())


def blocks(*parts: RenderableType | None) -> Group:
    """Parts with a blank line between them; one that is None or has no lines is left out."""
    kept = [each for each in parts if each is not None and not _is_empty(each)]
    return Group(*(line for each in kept for line in (each, Text())[: 2 if each is not kept[-1] else 1]))


def _is_empty(part: RenderableType) -> bool:
    return isinstance(part, Padding) and isinstance(part.renderable, Table) and not part.renderable.row_count


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
