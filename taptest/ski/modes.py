"""Which resonance is which mode of a ski."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Family = Literal["bending", "torsion", "other"]


@dataclass(frozen=True)
class PlacedMode:
    """One measured resonance with its place: ``order`` from 1 within its family, ``None`` for family ``other``.

    ``predicted_hz`` before anything was fitted (``None`` where the construction predicts none); ``probability`` of the place;
    ``damping_ratio_limit`` upper limit of a damping ratio that the room limits.
    """

    family: Family
    order: int | None
    frequency_hz: float
    frequency_u_hz: float
    damping_ratio: float
    damping_ratio_u: float
    level_db: float
    predicted_hz: float | None
    probability: float
    flags: tuple[str, ...] = ()
    damping_ratio_limit: float | None = None

    @property
    def deviation_percent(self) -> float | None:
        """100 x (measured / predicted - 1)."""
        return None if self.predicted_hz is None else 100 * (self.frequency_hz / self.predicted_hz - 1)


@dataclass(frozen=True)
class Identification:
    """The ladder of modes read from a set of resonances.

    ``odds`` of the best reading against ``runner_up`` (a phrase); ``ambiguous`` when they are below the threshold or too few
    modes are placed, and then nothing is judged. ``first_hz``/``first_u_hz``: the first bending mode, measured when
    ``first_heard``, else inferred from the others; ``None`` when ambiguous.
    """

    modes: tuple[PlacedMode, ...]
    odds: float
    runner_up: str
    ambiguous: bool
    first_hz: float | None
    first_u_hz: float | None
    first_heard: bool

    def bending(self) -> tuple[PlacedMode, ...]:
        """The placed bending modes, by order."""
        return tuple(m for m in self.modes if m.family == "bending")
