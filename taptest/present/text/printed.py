"""A view as text or as HTML, for programs that have no terminal."""

from io import StringIO
from typing import Any

from rich.console import Console, RenderableType

_PRE = '<pre style="font-family:monospace;line-height:1.3;white-space:pre">{code}</pre>'


def as_text(view: RenderableType, width: int) -> str:
    """What a terminal of this width shows, without colour and without blanks at the ends of lines."""
    console = _console(width, color_system=None)
    with console.capture() as captured:
        console.print(view, crop=False)
    return "\n".join(line.rstrip() for line in captured.get().rstrip().split("\n"))


def as_html(view: RenderableType, width: int) -> str:
    """The same with its colours, as one element of HTML without scripts or references."""
    console = _console(width, record=True)
    console.print(view, crop=False)
    return console.export_html(inline_styles=True, code_format=_PRE)


def _console(width: int, **how: Any) -> Console:
    return Console(file=StringIO(), width=width, highlight=False, markup=False, emoji=False, **how)
