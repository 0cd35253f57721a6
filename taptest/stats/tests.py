"""A value against its limit, with its uncertainty: what every verdict is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Statistic:
    """``value``, out when it is farther than ``limit`` from 0, and its standard uncertainty ``u``."""

    value: float
    limit: float
    u: float = 0.0

    @property
    def score(self) -> float:
        """Size over limit: 1 = at the limit."""
        return abs(self.value) / self.limit

    @property
    def out(self) -> bool:
        """Beyond the limit by more than the standard uncertainty."""
        return abs(self.value) - self.u > self.limit

    @property
    def near(self) -> bool:
        """The limit lies within one standard uncertainty of the value."""
        return not self.out and abs(self.value) + self.u > self.limit

    @property
    def suspicious(self) -> bool:
        """Out or near."""
        return abs(self.value) + self.u > self.limit
