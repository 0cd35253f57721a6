"""Every sentence that a `Message` can be, by its code: severity, text and remedy, with places for values.

Values are filled in by name and format, as in ``{percent:+.1f} %``; ``{_ski}``, ``{_file}``, ``{_line}``, ``{_column}`` and
``{_value}`` are the subject's, already safe for a screen. Text from outside that is passed as a value must be made safe with
`taptest.core.errors.shown` before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Sentence:
    """How a code is put into words, and how grave it is unless said otherwise."""

    severity: Literal["error", "warning", "note", "outlier", "recheck", "obstacle", "remark"]
    text: str
    remedy: str = ""


SENTENCES: dict[str, Sentence] = {}
