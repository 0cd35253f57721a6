"""What the report and the sheet of a pair share: templates, numbers that a program can read back, and what a page may load."""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.core.errors import shown
from taptest.present.plots.plots import STYLESHEET
from taptest.present.text.tables import CAUTION, counted, number
from taptest.present.text.verdict_table import sentences

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

TEMPLATES = Path(__file__).parent / "templates"
NAME_CHARACTERS = 60
NOTE_CHARACTERS = 1_000
# Every verdict has a shape and a class that colours it; the word itself always stands there too.
GLYPHS = {"pass": "●", "recheck": "▲", "outlier": "◆", "not judged": "✕"}
_AS = {"matched": "pass", "close": "recheck", "mismatched": "outlier", "not compared": "not judged"}
GLYPHS |= {word: GLYPHS[like] for word, like in _AS.items()}
CLASSES = {word: _AS.get(word, word).replace("not judged", "void") for word in GLYPHS}


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates; whatever is put into them is text and never markup, unless it was made here."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
    )
    made.globals.update(glyphs=GLYPHS, classes=CLASSES, caution=CAUTION, none=None)
    made.filters.update(
        name=lambda text: shown(text, NAME_CHARACTERS),
        note=lambda text: shown(text, NOTE_CHARACTERS),
        counted=counted,
        sentences=sentences,
        by_order=by_order,
        figure=figure,
        figure_u=figure_u,
        below=below,
        taps=lambda ski: Markup("{}/{}").format(figure(ski, "taps_good", 0), figure(ski, "taps_found", 0)),
    )
    return made


def by_order(ski: Mapping[str, Any], orders: list[int]) -> list[Mapping[str, Any] | None]:
    """The bending modes of a ski of the document, one for each of these orders."""
    found = {mode["order"]: mode for mode in ski["modes"] if mode["family"] == "bending"}
    return [found.get(order) for order in orders]


def figure(row: Mapping[str, Any], key: str, decimals: int, *, sign: bool = False, scale: float = 1) -> Markup | str:
    """A number of a document as text, with the very value, its key and the factor it is shown with, for programs."""
    value = row[key]
    if value is None:
        return "-"
    return _data(key, value, number(scale * value, decimals, sign=sign), scale)


def below(row: Mapping[str, Any], key: str, decimals: int, *, scale: float = 1) -> Markup | str:
    """A number that something else lies below."""
    from markupsafe import Markup

    return Markup("&lt;") + figure(row, key, decimals, scale=scale)


def figure_u(
    row: Mapping[str, Any], key: str, key_u: str, decimals: int, *, sign: bool = False, scale: float = 1
) -> Markup | str:
    """A number and its standard uncertainty, which is never rounded down to nothing."""
    from markupsafe import Markup

    value, u = row[key], row[key_u]
    if value is None or u is None or not math.isfinite(u):
        return figure(row, key, decimals, sign=sign, scale=scale)
    least = max(scale * u, 10.0**-decimals)
    return Markup('{} <span class="u">±{}</span>').format(
        figure(row, key, decimals, sign=sign, scale=scale), _data(key_u, u, f"{least:.{decimals}f}", scale)
    )


def _data(key: str, value: float, text: str, scale: float) -> Markup:
    from markupsafe import Markup

    factor = Markup("") if scale == 1 else Markup(' data-scale="{:g}"').format(scale)
    return Markup('<data value="{}" data-key="{}"{}>{}</data>').format(repr(value), key, factor, text)


def frame(title: str, *, scripted: bool) -> dict[str, Any]:
    """What `frame.html` and `tail.html` need: title, style, script, and a policy under which only these two count.

    Nothing is loaded from anywhere; pictures and sounds are in the page itself.
    """
    from markupsafe import Markup

    style = STYLESHEET + (TEMPLATES / "page.css").read_text(encoding="utf-8")
    script = (TEMPLATES / "report.js").read_text(encoding="utf-8") if scripted else ""
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src {_quoted(script)}; img-src data:; "
        "media-src data:; base-uri 'none'; form-action 'none'"
    )
    # Our own files, in which nothing foreign stands.
    return {"title": title, "style": Markup(style), "script": Markup(script), "policy": Markup(policy)}


def _quoted(script: str) -> str:
    return f"'{_digest(script)}'" if script else "'none'"


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
