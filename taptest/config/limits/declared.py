"""How a limit is declared: its default, and in its metadata what `taptest limits` prints of it."""

from __future__ import annotations

from dataclasses import field
from typing import Any

PRACTICE = "common practice, no source"


def limit(
    default: Any, unit: str, source: str, effect: str, *, settable: bool = False, least: Any = None, most: Any = None
) -> Any:
    """A field of a class of limits; ``least`` and ``most`` are what a settable one may be set to."""
    metadata = {"unit": unit, "source": source, "effect": effect, "settable": settable, "least": least, "most": most}
    return field(default=default, metadata=metadata)
