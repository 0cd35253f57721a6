"""How each kind of result is shown: its view in a terminal, its document, its rows and its picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

from taptest.core.errors import PackageError, TaptestError
from taptest.core.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Face:
    """Where the functions are, each as "module:function" below `taptest.present`, so that only what is used is loaded.

    Attributes:
        view: of (result, width), for a terminal.
        written: of (result), its document.
        drawn: of (result, axes), its picture.
    """

    view: str
    written: str
    drawn: str

    def renderable(self, result: Result, width: int) -> Any:
        """The view itself, for a console."""
        return _found(self.view)(result, width)

    def text(self, result: Result) -> str:
        """What the command prints on a screen of 80 characters, without colour."""
        return str(_found("text.printed:as_text")(self.renderable(result, 80), 80))

    def html(self, result: Result) -> str:
        """The same as HTML with its colours, for a notebook."""
        return str(_found("text.printed:as_html")(self.renderable(result, 100), 100))

    def document(self, result: Result) -> dict[str, Any]:
        """Plain dictionaries, lists, numbers and texts."""
        written: dict[str, Any] = _found(self.written)(result)
        return written

    def frame(self, result: Result) -> Any:
        """A pandas table.

        Raises:
            PackageError: pandas is not installed.
        """
        from taptest.present.json.rows import rows_of

        try:
            import pandas
        except ImportError:
            raise PackageError(
                "a table of pandas needs the package pandas, which is not installed; install it, or use to_dict"
            ) from None
        return pandas.DataFrame(rows_of(self.document(result)))

    def plot(self, result: Result, ax: Axes | None = None) -> Axes:
        """The picture, drawn into these axes or new ones."""
        axes: Axes = _found(self.drawn)(result, ax)
        return axes


# By the name of the class: results must not be loaded to know how they look.
FACES = {
    kind: Face(*places.split())
    for kind, places in {
        "Analysis": "text.analysis_table:face_view json.analysis:face_document plots.modes:plot_analysis",
        "PredictedSki": "text.prediction_table:ski_view json.documents:ski_prediction_document plots.modes:plot_prediction",
        "LotPrediction": "text.prediction_table:lot_view json.documents:prediction_document plots.modes:plot_predictions",
        "CheckResult": "text.verdict_table:check_view json.documents:check_document plots.lot:plot_tones",
        "PairsResult": "text.pairs_table:pairs_view json.pairs:pairs_document plots.pairs:plot_pairs",
        "Comparison": "text.comparison_table:comparison_view json.comparison:comparison_document plots.compare:plot_comparison",
        "Relation": "text.relation_table:relation_view json.relation:relation_document plots.relate:plot_relation",
    }.items()
}


def face_of(result: Result) -> Face:
    """How a result is shown.

    Raises:
        TaptestError: it is of no kind that can be shown.
    """
    found = FACES.get(type(result).__name__)
    if found is None:
        raise TaptestError(f"{type(result).__name__}: is no result that can be shown")
    return found


def _found(place: str) -> Callable[..., Any]:
    module, _, name = place.partition(":")
    function: Callable[..., Any] = getattr(import_module(f"taptest.present.{module}"), name)
    return function
