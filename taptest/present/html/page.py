"""What pages share: templates, columns, numbers that a program can read back, and what a page may load."""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from taptest.core.errors import shown
from taptest.present.plots.style import STYLESHEET
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


class Column(NamedTuple):
    """A number of the document: its heading with the unit, its key, and how it is written."""

    heading: str
    key: str
    decimals: int = 1
    u: str = ""
    sign: bool = False
    scale: float = 1.0


SKI_COLUMNS = (
    Column("score", "score"),
    Column("mass, g", "mass_g", 0),
    Column("stiffness, N/mm", "stiffness_n_per_mm", 2),
    Column("predicted, Hz", "predicted_hz", 1, "predicted_u_hz"),
    Column("first mode, Hz", "measured_hz", 1, "measured_u_hz"),
    Column("off by, %", "deviation_percent", 1, "deviation_u_percent", sign=True),
    Column("against group, %", "shift_percent", 1, "shift_u_percent", sign=True),
    Column("limit ±, %", "shift_limit_percent"),
    Column("uneven", "unevenness"),
    Column("damping, %", "damping_ratio", 2, scale=100),
    Column("taps", "taps_good", 0),
)
MODE_COLUMNS = (
    Column("frequency, Hz", "frequency_hz", 2, "frequency_u_hz"),
    Column("predicted, Hz", "predicted_hz"),
    Column("off by, %", "deviation_percent", sign=True),
    Column("damping, %", "damping_ratio", 2, "damping_ratio_u", scale=100),
    Column("width, Hz", "half_power_bandwidth_hz", 2),
    Column("decay, s", "decay_time_s", 2),
)


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates; whatever is put into them is text and never markup, unless it was made here."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined)
    made.globals.update(
        glyphs=GLYPHS, classes=CLASSES, caution=CAUTION, ski_columns=SKI_COLUMNS, mode_columns=MODE_COLUMNS
    )
    made.filters.update(
        name=lambda text: shown(text, NAME_CHARACTERS),
        note=lambda text: shown(text, NOTE_CHARACTERS),
        counted=counted,
        sentences=sentences,
        figure=figure,
    )
    return made


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
    told = _data(key, value, number(scale * value, decimals, sign=sign), scale)
    if uncertainty is None or not math.isfinite(uncertainty):
        return told
    least = number(max(scale * uncertainty, 10.0**-decimals), decimals)
    return Markup('{} <span class="u">±{}</span>').format(told, _data(u, uncertainty, least, scale))


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
