"""What pages share: templates, columns, numbers that a program can read back, and what a page may load."""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Mapping
from functools import lru_cache
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taptest.core.errors import shown
from taptest.core.fields import Field, by_key
from taptest.present.plots.style import STYLESHEET
from taptest.present.text.tables import CAUTION, counted, number
from taptest.present.text.verdict_table import sentences
from taptest.ski.fields import MODE_FIELDS, SKI_FIELDS

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


_HEARD: tuple[Field[Any], ...] = (
    *MODE_FIELDS,
    Field("half_power_bandwidth_hz", itemgetter("half_power_bandwidth_hz"), heading="width\nHz", decimals=2),
    Field("decay_time_s", itemgetter("decay_time_s"), heading="decay\ns", decimals=2),
)
_SKI_KEYS = (
    "score mass_g stiffness_n_per_mm predicted_hz measured_hz deviation_percent shift_percent shift_limit_percent "
    "unevenness damping_ratio taps_good"
)
_MODE_KEYS = "frequency_hz predicted_hz deviation_percent damping_ratio half_power_bandwidth_hz decay_time_s"


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates; whatever is put into them is text and never markup, unless it was made here."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined)
    made.globals.update(
        glyphs=GLYPHS,
        classes=CLASSES,
        caution=CAUTION,
        ski_columns=[by_key(SKI_FIELDS)[key] for key in _SKI_KEYS.split()],
        mode_columns=[by_key(_HEARD)[key] for key in _MODE_KEYS.split()],
    )
    made.filters.update(
        name=lambda text: shown(text, NAME_CHARACTERS),
        note=lambda text: shown(text, NOTE_CHARACTERS),
        counted=counted,
        sentences=sentences,
        figure=figure,
        told=told,
        heading=heading,
    )
    return made


def heading(field: Field[Any]) -> str:
    """The heading of a column, with its unit: "mass, g"."""
    return ", ".join(field.heading.splitlines())


def told(row: Mapping[str, Any], field: Field[Any]) -> Markup | str:
    """The number of a field, as `figure` tells it."""
    decimals = 0 if field.kind == "integer" else field.decimals
    return figure(row, field.key, decimals, field.u, field.sign, field.scale)


def figure(
    row: Mapping[str, Any], key: str, decimals: int = 1, u: str = "", sign: bool = False, scale: float = 1.0
) -> Markup | str:
    """A number of a document and its standard uncertainty, if ``u`` names one, with their very values for programs.

    The uncertainty is never rounded down to nothing; "-" where nothing is known.
    """
    from markupsafe import Markup

    value, uncertainty = row[key], row[u] if u else None
    if value is None:
        return "-"
    text = _data(key, value, number(scale * value, decimals, sign=sign), scale)
    if uncertainty is None or not math.isfinite(uncertainty):
        return text
    least = number(max(scale * uncertainty, 10.0**-decimals), decimals)
    return Markup('{} <span class="u">±{}</span>').format(text, _data(u, uncertainty, least, scale))


def _data(key: str, value: float, text: str, scale: float) -> Markup:
    from markupsafe import Markup

    factor = Markup("") if scale == 1 else Markup(' data-scale="{:g}"').format(scale)
    return Markup('<data value="{}" data-key="{}"{}>{}</data>').format(repr(value), key, factor, text)


def render(template: str, title: str, *, scripted: bool, **values: Any) -> str:
    """A whole page, or its beginning: title, style, script, and a policy under which only these two count.

    Nothing is loaded from anywhere; pictures and sounds are in the page itself.
    """
    from markupsafe import Markup

    style = STYLESHEET + (TEMPLATES / "page.css").read_text(encoding="utf-8")
    script = (TEMPLATES / "report.js").read_text(encoding="utf-8") if scripted else ""
    allowed = f"'{_digest(script)}'" if script else "'none'"
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src {allowed}; img-src data:; media-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    # Our own files, in which nothing foreign stands.
    own = {"style": Markup(style), "script": Markup(script), "policy": Markup(policy)}
    return environment().get_template(template).render(title=title, **own, **values)


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
