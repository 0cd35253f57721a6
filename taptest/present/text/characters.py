"""Pictures of plain characters for a terminal: braille dots where they can be shown, ASCII everywhere else."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

Point = tuple[float, float]

_AXIS = 7  # columns that the labels on the left and the line beside them take
_SLOPES = ".-'"  # low, middle and high within one line of characters
_BLANK = "\N{BRAILLE PATTERN BLANK}"


def shows_dots(encoding: str | None) -> bool:
    """Whether text of this encoding can hold braille patterns."""
    try:
        "\N{BRAILLE PATTERN DOTS-12345678}".encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


@dataclass(frozen=True)
class Axis:
    """One direction of a picture: its range, where it has ticks and how they are written.

    ``scale`` turns a value into a place that grows evenly along the axis, such as a logarithm.
    """

    low: float
    high: float
    ticks: tuple[float, ...]
    unit: str
    scale: Callable[[float], float] = float

    def share(self, value: float) -> float:
        """Place of a value along the axis, 0 at its lower and 1 at its upper end."""
        low, high = self.scale(self.low), self.scale(self.high)
        return (self.scale(value) - low) / (high - low)


def even_axis(low: float, high: float, unit: str, most_ticks: int = 6) -> Axis:
    """An axis with ticks at round numbers."""
    span = high - low
    step = next(
        m * 10.0**p
        for p in range(math.floor(math.log10(span)) - 2, math.floor(math.log10(span)) + 2)
        for m in (1, 2, 5)
        if span / (m * 10.0**p) <= most_ticks
    )
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return Axis(low, high, tuple(step * n for n in range(first, last + 1)), unit)


def frequency_axis(low_hz: float, high_hz: float) -> Axis:
    """A logarithmic axis with ticks at 1, 2 and 5 times powers of ten."""
    ticks = tuple(float(m * 10**p) for p in range(5) for m in (1, 2, 5) if low_hz <= m * 10**p <= high_hz)
    return Axis(low_hz, high_hz, ticks, "Hz", math.log10)


class CharacterPicture:
    """A frame of ``width`` by ``height`` characters, labels included, to draw lines and marks into.

    Marks beyond the axes are left out, lines run along the edge that they cross; marks and words stand on top of lines,
    and a word that would cover another is left out.
    """

    def __init__(self, x: Axis, y: Axis, *, width: int, height: int, dots: bool) -> None:
        self.x, self.y = x, y
        self.columns, self.rows = max(width - _AXIS, 20), max(height - 2, 5)
        self._dots = dots
        self._lines: list[list[Point]] = []
        self._over: dict[tuple[int, int], str] = {}
        self._under: dict[tuple[int, int], str] = {}

    def line(self, points: Iterable[Point]) -> None:
        """A line through points in order of x."""
        placed = [
            (self.x.share(x), min(max(self.y.share(y), 0.0), 1.0)) for x, y in points if self.x.low <= x <= self.x.high
        ]
        if placed:
            self._lines.append(placed)

    def mark(self, x: float, y: float, character: str, *, under: bool = False) -> None:
        """One character at a point; ``under`` the lines, where it is seen only beside them."""
        if self.x.low <= x <= self.x.high and self.y.low <= y <= self.y.high:
            (self._under if under else self._over)[self._cell(x, y)] = character

    def word(self, x: float, y: float, text: str) -> bool:
        """A word centred on the line above a point; False where that is taken."""
        column, row = self._cell(x, min(max(y, self.y.low), self.y.high))
        row = max(row - 1, 0)
        start = min(max(column - len(text) // 2, 0), self.columns - len(text))
        around = range(start - 1, start + len(text) + 1)
        if start < 0 or any((c, row) in self._over for c in around):
            return False
        for offset, character in enumerate(text):
            self._over[start + offset, row] = character
        return True

    def text(self) -> str:
        """The finished picture, one line for each row, without blanks at the ends."""
        cells = self._in_dots() if self._dots else self._in_ascii()
        for (column, row), character in self._under.items():
            if cells[row][column] == " ":
                cells[row][column] = character
        for (column, row), character in self._over.items():
            cells[row][column] = character
        ticks = {self._row(value): value for value in self.y.ticks}
        written = _written(self.y.ticks)
        labels = {row: written[value] for row, value in ticks.items()}
        lines = [f"{labels.get(row, ''):>{_AXIS - 2}} |{''.join(cells[row])}" for row in range(self.rows)]
        return "\n".join(line.rstrip() for line in [*lines, *self._below()])

    def _cell(self, x: float, y: float) -> tuple[int, int]:
        return min(int(self.x.share(x) * self.columns), self.columns - 1), self._row(y)

    def _row(self, y: float) -> int:
        return min(max(int((1 - self.y.share(y)) * self.rows), 0), self.rows - 1)

    def _below(self) -> tuple[str, str]:
        rule, words = ["-"] * self.columns, [" "] * (self.columns + _AXIS)
        written = _written(self.x.ticks)
        free = 0
        for value in self.x.ticks:
            column = self._cell(value, self.y.low)[0]
            rule[column] = "+"
            text = written[value]
            start = min(max(_AXIS + column - len(text) // 2, free), len(words) - len(text))
            if start >= free:
                words[start : start + len(text)] = text
                free = start + len(text) + 1
        words[: len(self.y.unit)] = self.y.unit
        unit = f" {self.x.unit}"
        end = len("".join(words).rstrip())
        if end + len(unit) <= len(words):
            words[end : end + len(unit)] = unit
        else:
            # The unit takes the place of the last number.
            words[len(words) - len(unit) :] = unit
        return f"{'':>{_AXIS - 1}}+{''.join(rule)}", "".join(words)

    def _in_dots(self) -> list[list[str]]:
        import plotille

        canvas = plotille.Canvas(self.columns, self.rows, 0, 0, 1, 1)
        for points in self._lines:
            if len(points) == 1:
                canvas.point(*points[0])
            for (x0, y0), (x1, y1) in pairwise(points):
                canvas.line(x0, y0, x1, y1)
        return [list(line.replace(_BLANK, " ").ljust(self.columns)) for line in canvas.plot().splitlines()]

    def _in_ascii(self) -> list[list[str]]:
        cells = [[" "] * self.columns for _ in range(self.rows)]
        for points in self._lines:
            before: int | None = None
            for column, height in _by_column(points, self.columns):
                level = min(int((1 - height) * self.rows * 3), self.rows * 3 - 1)
                row = level // 3
                cells[row][column] = _SLOPES[2 - level % 3]
                if before is not None:
                    for between in range(min(before, row) + 1, max(before, row)):
                        cells[between][column] = "|"
                before = row
        return cells


def _by_column(points: Sequence[Point], columns: int) -> list[tuple[int, float]]:
    """Height of a line in the middle of every column that it crosses."""
    found: dict[int, float] = {}
    for (x0, y0), (x1, y1) in pairwise(points):
        (x0, y0), (x1, y1) = sorted([(x0, y0), (x1, y1)])
        for column in range(max(int(x0 * columns), 0), min(int(x1 * columns), columns - 1) + 1):
            middle = min(max((column + 0.5) / columns, x0), x1)
            found[column] = y0 + (y1 - y0) * ((middle - x0) / (x1 - x0) if x1 > x0 else 0.0)
    if len(points) == 1:
        found[min(int(points[0][0] * columns), columns - 1)] = points[0][1]
    return sorted(found.items())


def _written(values: Sequence[float]) -> dict[float, str]:
    """Ticks as plain numbers, all with as many decimals as the finest step needs."""
    decimals = next((d for d in range(4) if all(abs(v * 10**d - round(v * 10**d)) < 1e-6 for v in values)), 4)
    return {value: f"{0.0 if abs(value) < 1e-9 else value:.{decimals}f}" for value in values}
