"""Every figure that decides about a ski, a tap, a pair or a measurement, in one place.

Each field says in its metadata what it is in (``unit``), where it comes from (``source``: a standard, "common practice, no
source", or what it was "set on") and what it does (``effect``). Those that are ``settable`` may be overridden in
``taptest.toml``. Constants that only make an algorithm work, and decide nothing, stay private beside their code.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

PRACTICE = "common practice, no source"


def limit(
    default: Any, unit: str, source: str, effect: str, *, settable: bool = False, least: Any = None, most: Any = None
) -> Any:
    """A field of a class of limits; ``least`` and ``most`` are what a settable one may be set to."""
    metadata = {"unit": unit, "source": source, "effect": effect, "settable": settable, "least": least, "most": most}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class ListeningLimits:
    """What can be listened to."""

    least_low_hz: float = limit(5.0, "Hz", "what a recording's records resolve", "lowest start of the range")
    shortest_room_s: float = limit(0.05, "s", "below it no room rings", "shortest reverberation time that is accepted")
    longest_room_s: float = limit(
        20.0, "s", "a cathedral has 10 s (from memory)", "longest reverberation time that is accepted"
    )


@dataclass(frozen=True)
class Limits:
    """All limits, by what they decide about."""

    listening: ListeningLimits = ListeningLimits()


LIMITS = Limits()


@dataclass(frozen=True)
class NamedLimit:
    """One limit with its name ("group.least_skis"), for lists and for setting it."""

    name: str
    value: Any
    default: Any
    unit: str
    source: str
    effect: str
    settable: bool
    least: Any
    most: Any


def named_limits(limits: Limits = LIMITS) -> Iterator[NamedLimit]:
    """Every limit, in the order in which they are written."""
    for group in fields(limits):
        held = getattr(limits, group.name)
        for each in fields(held):
            yield NamedLimit(f"{group.name}.{each.name}", getattr(held, each.name), each.default, **each.metadata)
