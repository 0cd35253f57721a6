"""How frequency goes with temperature: one slope for skis of a kind, fitted to skis measured warm and cold."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.config.limits import LIMITS
from taptest.core.errors import CalibrationError, shown
from taptest.core.messages import Message
from taptest.tables.schema import Column, Schema, read_by_schema

_LIMITS = LIMITS.temperature

Real = NDArray[np.float64]

STUDY = Schema(
    row="measurement",
    columns=(
        Column("part", "which ski it was", decisive=True),
        Column("temperature_c", "of the ski", "temperature", LIMITS.tables.temperature_c),
        Column("frequency_hz", "of one mode", "frequency", LIMITS.tables.frequency_hz),
    ),
    required=("part", "temperature_c", "frequency_hz"),
    error=CalibrationError,
)


@dataclass(frozen=True)
class TemperatureStudy:
    """ln f = a(part) + slope (T - reference): the slope [1/K] with its standard uncertainty, and the range it was found in.

    ``scatter_rel``: standard deviation of one value about the lines.
    """

    path: str
    slope_per_k: float
    slope_u_per_k: float
    reference_c: float
    low_c: float
    high_c: float
    count: int
    parts: int
    scatter_rel: float
    problems: tuple[Message, ...] = ()

    @property
    def certain(self) -> bool:
        """Whether the slope differs from zero by more than two standard uncertainties."""
        return abs(self.slope_per_k) > 2 * self.slope_u_per_k


def fit_temperature(path: str | Path) -> TemperatureStudy:
    """Least squares with a constant for every part, from a table with the columns part, temperature_c and frequency_hz.

    With x and y less their means in each part: slope = sum xy / sum xx, and its variance s²/sum xx with n - parts - 1 degrees
    of freedom, widened by Student's t so that twice the uncertainty holds 95 %.

    Raises:
        LotError: it is no table.
        CalibrationError: a column is missing, or temperatures, or measurements, are too few to tell a slope.
    """
    from scipy.special import stdtrit

    parts, warm, log_hz, problems = _read(path)
    name = shown(Path(path).name, 100)
    spans = {part: np.ptp(warm[parts == part]) for part in np.unique(parts)}
    kinds = [part for part, span in spans.items() if span > 0]
    kept = np.isin(parts, kinds)
    parts, warm, log_hz = parts[kept], warm[kept], log_hz[kept]
    span = max(spans.values(), default=0.0)
    free = len(warm) - len(kinds) - 1
    if span < _LIMITS.least_span_k or len(warm) < _LIMITS.least_points or free < 2:
        raise CalibrationError(
            f"{name}: {len(warm)} usable measurements of {len(kinds)} parts, each over {span:.1f} K at most; a slope needs "
            f"{_LIMITS.least_points} or more, two more than parts, and {_LIMITS.least_span_k:.0f} K in the same part: measure "
            "the same skis warm and cold"
        )
    x, y = warm.astype(float), log_hz.copy()
    for part in kinds:
        own = parts == part
        x[own] -= x[own].mean()
        y[own] -= y[own].mean()
    slope = float((x * y).sum() / (x**2).sum())
    scatter = float(np.sqrt(((y - slope * x) ** 2).sum() / free))
    u = scatter / float(np.sqrt((x**2).sum())) * float(stdtrit(free, 0.97725)) / 2
    if abs(slope) > _LIMITS.largest_slope_per_k:
        raise CalibrationError(f"{name}: {100 * slope:+.1f} % a kelvin, which no ski does; check the columns")
    return TemperatureStudy(
        path=str(path),
        slope_per_k=slope,
        slope_u_per_k=u,
        reference_c=float((warm.min() + warm.max()) / 2),
        low_c=float(warm.min()),
        high_c=float(warm.max()),
        count=len(warm),
        parts=len(kinds),
        scatter_rel=scatter,
        problems=problems,
    )


def _read(path: str | Path) -> tuple[NDArray[np.str_], Real, Real, tuple[Message, ...]]:
    """Part, temperature [°C] and ln of the frequency of every good line, and the bad cells."""
    table = read_by_schema(path, STUDY)
    good = [line.values for line in table.lines() if None not in line.values.values()]
    parts = np.array([values["part"] for values in good], dtype=np.str_)
    warm, hz = (np.array([values[name] for values in good], dtype=float) for name in ("temperature_c", "frequency_hz"))
    return parts, warm, np.log(hz), table.sorted_problems()
