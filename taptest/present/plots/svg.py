"""Figures as SVG that follows light and dark: colours are classes, text stays text, equal figures give equal bytes.

A colour of `taptest.present.plots.style` becomes a class (``f-out`` fills, ``s-out`` strokes), so that a page may forbid
inline styles.
"""

from __future__ import annotations

import io
import re
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.core.errors import shown
from taptest.present.plots.style import COLOURS, FONT_PT, PAPER, STYLESHEET

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ALT_CHARACTERS = 2_000
_FAMILY = "system-ui, 'Segoe UI', 'Liberation Sans', 'DejaVu Sans', sans-serif"


def to_svg(figure: Figure, alt: str, *, name: str, alone: bool = False) -> str:
    """The figure as an ``<svg>`` element that follows light and dark.

    Args:
        figure: made by `new_figure`.
        alt: what it shows, in words.
        name: letters, digits and dashes that no other picture of the page has: the start of every id in it.
        alone: with the stylesheet inside, as a file of its own.
    """
    target = io.StringIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _tidied(target.getvalue(), alt, name, alone)


def write_picture(figure: Figure, path: str, alt: str) -> None:
    """Write ``.svg`` (follows light and dark) or ``.png`` (light, 192 dots an inch).

    Raises:
        OSError: the file cannot be written.
    """
    if path.lower().endswith(".png"):
        figure.savefig(path, format="png", dpi=192, facecolor=PAPER, metadata={"Software": None})
        return
    with Path(path).open("w", encoding="utf-8", newline="\n") as file:
        file.write(to_svg(figure, alt, name="p", alone=True) + "\n")


_ROLES = {light: role for role, (light, _) in COLOURS.items()}
_DROPPED = ("stroke-linejoin", "font-family")
_TAG = re.compile(r"<[^>]+>")
_REFERENCE = re.compile(r"(?:href=\"|url\()#([^\")]+)")
_NUMBER = re.compile(r"-?\d+\.\d+")


def _tidied(svg: str, alt: str, name: str, alone: bool) -> str:
    body = svg[svg.index("<svg") :]
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', body)
    assert size is not None
    body = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", body[body.index(">") + 1 :], flags=re.DOTALL)
    body = re.sub(r"<style[^>]*>.*?</style>", "", body, count=1, flags=re.DOTALL)
    # In tags only: what stands between them is text, whatever it looks like.
    body = _TAG.sub(lambda found: _tag(found[0]), body)
    used = {target for tag in _TAG.findall(body) for target in _REFERENCE.findall(tag)}
    body = _TAG.sub(lambda found: _named_tag(found[0], name, used), body)
    body = re.sub(r"<defs>\s*</defs>", "", re.sub(r">\s+<", "><", body))
    body = re.sub(r"<g>((?:(?!<g[ >]).)*?)</g>", r"\1", body)
    style_sheet = f"<style>{STYLESHEET}svg{{background:var(--paper)}}</style>" if alone else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size[1]} {size[2]}" role="img" aria-label='
        f'"{escape(shown(alt, _ALT_CHARACTERS))}" font-family="{escape(_FAMILY)}">{style_sheet}{body.strip()}'
    )


def _tag(tag: str) -> str:
    tag = re.sub(r' style="([^"]*)"', lambda found: _attributes(found[1]), tag)
    tag = re.sub(r' d="([^"]*)"', lambda found: f' d="{_path(found[1])}"', tag)
    tag = re.sub(r' (x|y|transform|width|height)="([^"]*)"', lambda f: f' {f[1]}="{_rounded(f[2], 2)}"', tag)
    return re.sub(r' transform="(?:rotate\(-?0 [^)]*\)|translate\(0 0\))"', "", tag)


def _named_tag(tag: str, name: str, used: set[str]) -> str:
    """A tag whose id, if anything refers to it, and whose references are those of this picture alone."""
    tag = re.sub(r' id="([^"]*)"', lambda found: f' id="{name}-{found[1]}"' if found[1] in used else "", tag)
    return re.sub(r"(href=\"|url\()#", rf"\1#{name}-", tag).replace("xlink:href", "href")


def _attributes(declarations: str) -> str:
    """A style as presentation attributes, and colours of ours as classes: a page may then forbid inline styles."""
    classes, attributes = [], []
    for declaration in declarations.split(";"):
        key, _, value = (part.strip() for part in declaration.partition(":"))
        if key in ("fill", "stroke") and value in _ROLES:
            classes.append(f"{key[0]}-{_ROLES[value]}")
        elif key == "font":
            size = re.search(r"([\d.]+)px", value)
            attributes.append(f'font-size="{float(size[1]) if size else FONT_PT:g}"')
            attributes += ['font-weight="700"'] if re.match(r"(bold|700)\b", value) else []
        elif key and key not in _DROPPED:
            attributes.append(f'{key}="{_rounded(value, 2)}"')
    return "".join(f" {each}" for each in [*([f'class="{" ".join(classes)}"'] if classes else []), *sorted(attributes)])


def _path(data: str) -> str:
    short = _rounded(" ".join(data.split()), 1 if len(data) > 400 else 2)
    # After M and L coordinates go on as lines by themselves.
    return short if re.search("[CQ]", short) else short.replace(" L ", " ")


def _rounded(text: str, decimals: int) -> str:
    return _NUMBER.sub(lambda found: f"{round(float(found[0]), decimals) + 0.0:g}", text)
