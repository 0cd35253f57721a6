"""How frequency goes with temperature: one slope for skis of a kind, fitted to skis measured warm and cold."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.calibrate.store import Calibration, finite
from taptest.config.corrections import TemperatureLaw
from taptest.core.errors import CalibrationError, UnitError, shown
from taptest.core.units import parse_number
from taptest.tables.reader import CellProblem, cell_text, read_table

Real = NDArray[np.float64]

LEAST_SPAN_K = 8.0
LEAST_POINTS = 4
_LARGEST_SLOPE = 0.02  # a kelvin; no ski comes near
_COLUMNS = ("part", "temperature_c", "frequency_hz")


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
    problems: tuple[CellProblem, ...] = ()

    @property
    def certain(self) -> bool:
        """Whether the slope is told from none at all."""
        return abs(self.slope_per_k) > 2 * self.slope_u_per_k

    def values(self) -> dict[str, object]:
        """What a stored calibration holds."""
        return {
            "percent_per_k": 100 * self.slope_per_k,
            "percent_per_k_u": 100 * self.slope_u_per_k,
            "reference_c": self.reference_c,
            "low_c": self.low_c,
            "high_c": self.high_c,
            "measurements": self.count,
            "parts": self.parts,
            "scatter_percent": 100 * self.scatter_rel,
        }


def fit_temperature(path: str | Path) -> TemperatureStudy:
    """Least squares with a constant for every part, from a table with the columns part, temperature_c and frequency_hz.

    With x and y less their means in each part: slope = sum xy / sum xx, and its variance s²/sum xx with n - parts - 1 degrees
    of freedom, widened by Student's t so that twice the uncertainty holds 95 %.

    Raises:
        LotError: it is no table.
        CalibrationError: a column is missing, or temperatures, or measurements, are too few to tell a slope.
    """
    from scipy.special import stdtrit

    path = Path(path)
    parts, warm, log_hz, problems = _read(path)
    name = shown(path.name, 100)
    spans = {part: np.ptp(warm[parts == part]) for part in np.unique(parts)}
    kinds = [part for part, span in spans.items() if span > 0]
    kept = np.isin(parts, kinds)
    parts, warm, log_hz = parts[kept], warm[kept], log_hz[kept]
    span = max(spans.values(), default=0.0)
    free = len(warm) - len(kinds) - 1
    if span < LEAST_SPAN_K or len(warm) < LEAST_POINTS or free < 2:
        raise CalibrationError(
            f"{name}: {len(warm)} usable measurements of {len(kinds)} parts, each over {span:.1f} K at most; a slope needs "
            f"{LEAST_POINTS} or more, two more than parts, and {LEAST_SPAN_K:.0f} K in the same part: measure the same skis "
            "warm and cold"
        )
    x, y = warm.astype(float), log_hz.copy()
    for part in kinds:
        own = parts == part
        x[own] -= x[own].mean()
        y[own] -= y[own].mean()
    slope = float((x * y).sum() / (x**2).sum())
    scatter = float(np.sqrt(((y - slope * x) ** 2).sum() / free))
    u = scatter / float(np.sqrt((x**2).sum())) * float(stdtrit(free, 0.97725)) / 2
    if abs(slope) > _LARGEST_SLOPE:
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
        problems=tuple(problems),
    )


def _read(path: Path) -> tuple[NDArray[np.str_], Real, Real, list[CellProblem]]:
    """Part, temperature [°C] and ln of the frequency of every good line, and the bad cells."""
    table = read_table(path, lambda headings: sum(each.strip().casefold() in _COLUMNS for each in headings))
    heading = [cell_text(cell).casefold() for cell in table.rows[0].cells]
    missing = [column for column in _COLUMNS if column not in heading]
    if missing:
        raise CalibrationError(
            f"{shown(path.name, 100)} line {table.rows[0].line}: has no column {', '.join(missing)}; a temperature study has "
            f"the columns {', '.join(_COLUMNS)}"
        )
    problems = list(table.problems)
    parts, warm, log_hz = [], [], []
    for row in table.rows[1:]:
        cells = [cell_text(row.cells[i]) if (i := heading.index(c)) < len(row.cells) else "" for c in _COLUMNS]
        numbers = []
        for column, text, low, high in zip(_COLUMNS[1:], cells[1:], (-50.0, 1.0), (60.0, 20_000.0), strict=True):
            try:
                value, unit = parse_number(text)
            except UnitError as problem:
                problems.append(CellProblem(path.name, row.line, column, text, problem.problem, problem.remedy))
                break
            if unit or not low <= value <= high:
                remedy = f"write a number between {low:g} and {high:g}"
                problems.append(CellProblem(path.name, row.line, column, text, "which is out of range", remedy))
                break
            numbers.append(value)
        if len(numbers) == 2 and cells[0]:
            parts.append(cells[0])
            warm.append(numbers[0])
            log_hz.append(np.log(numbers[1]))
        elif len(numbers) == 2:
            problems.append(
                CellProblem(path.name, row.line, "part", "", "but every line needs it", "write which ski it was")
            )
    return np.array(parts, dtype=np.str_), np.array(warm), np.array(log_hz), problems


def law_of(calibration: Calibration) -> TemperatureLaw:
    """The stored slope as `check` takes it.

    Raises:
        CalibrationError: the values are none that `fit_temperature` gives.
    """
    keys = ("percent_per_k", "percent_per_k_u", "reference_c", "low_c", "high_c")
    slope, u, reference, low, high = (finite(calibration.values, key) for key in keys)
    if slope is None or u is None or reference is None or low is None or high is None:
        raise CalibrationError(f"one of {', '.join(keys)} is no number")
    if abs(slope) > 100 * _LARGEST_SLOPE or not low <= reference <= high:
        raise CalibrationError(
            f"{slope:g} % a kelvin about {reference:g} °C from {low:g} to {high:g} °C makes no sense"
        )
    return TemperatureLaw(slope / 100, u / 100, reference, low, high)
