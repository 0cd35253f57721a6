"""What every result can do in a notebook: print itself, show itself as HTML, and become plain data, a table or a picture.

How a kind of result looks is said in `taptest.present.faces`, which no result's own room may know; it is found when it is first
asked for.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from pandas import DataFrame


class Result:
    """A result that prints, draws and saves itself."""

    def __str__(self) -> str:
        """What the command prints, 80 characters wide."""
        return str(_face(self).text(self))

    def _repr_html_(self) -> str:
        return str(_face(self).html(self))

    def to_dict(self) -> dict[str, Any]:
        """The document that the command prints with ``--json``: units in the keys, None where nothing is known."""
        return dict(_face(self).document(self))

    def to_frame(self) -> DataFrame:
        """A pandas table with a row for each ski, mode, pair or difference, and columns named as in `to_dict`.

        Raises:
            PackageError: pandas is not installed.
        """
        frame: DataFrame = _face(self).frame(self)
        return frame

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the result into the axes, or into new ones, and return them."""
        axes: Axes = _face(self).plot(self, ax)
        return axes


def _face(result: Result) -> Any:
    return import_module("taptest.present.faces").face_of(result)
