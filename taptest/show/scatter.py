"""Points of several groups as a picture of plain characters, which reads the same on every terminal."""

from collections.abc import Mapping, Sequence

Points = Sequence[tuple[float, float]]

_HEIGHT = 12
_MARGIN = 0.08
_BESIDE = 26  # what the axis and its label take of the width


def marks_for(names: Sequence[str]) -> dict[str, str]:
    """A letter for each group: the first of its name where that tells them all apart, otherwise A, B, C."""
    first = [name[:1] for name in names]
    plain = all(letter.isascii() and letter.isalnum() for letter in first)
    if not plain or len({letter.casefold() for letter in first}) < len(names):
        first = [chr(ord("A") + at % 26) for at in range(len(names))]
    return dict(zip(names, first, strict=True))


def scatter(
    groups: Mapping[str, Points], *, x_label: str, y_label: str, width: int, x_decimals: int = 0, y_decimals: int = 1
) -> str | None:
    """The points with the letters of their groups, and axes; None where there are fewer than two points."""
    import plotille

    every = [point for points in groups.values() for point in points]
    if len(every) < 2:
        return None
    figure = plotille.Figure()
    figure.width, figure.height = max(20, min(width, 100) - _BESIDE), _HEIGHT
    figure.with_colors = False
    figure.origin = False
    figure.x_label, figure.y_label = x_label, y_label
    figure.x_ticks_fkt = lambda value, _: f"{value:.{x_decimals}f}"
    figure.y_ticks_fkt = lambda value, _: f"{value:.{y_decimals}f}"
    figure.set_x_limits(*_limits([x for x, _ in every]))
    figure.set_y_limits(*_limits([y for _, y in every]))
    for name, mark in marks_for(list(groups)).items():
        if groups[name]:
            figure.scatter([x for x, _ in groups[name]], [y for _, y in groups[name]], marker=mark)
    # Empty places come as blank braille patterns, which few encodings have.
    drawn = figure.show().replace("\N{BRAILLE PATTERN BLANK}", " ")
    return "\n".join(line.rstrip() for line in drawn.splitlines())


def _limits(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = _MARGIN * (high - low) or 0.01 * abs(high) or 1.0
    return low - room, high + room
