"""Natural frequencies and half-power damping of a hung, tapped ski, and whether it rings as its stiffness and mass say.

The commands are functions here (`read_lot`, `analyse`, `predict`, `check`, `pairs`, `compare`, `relate`, `report`,
`open_logbook`), with one kind of `Settings`. Their results print themselves, show themselves in a notebook, and have
``to_dict()``, ``to_frame()`` and ``plot(ax=None)``. Everything is loaded when it is first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from taptest.core.version import VERSION as __version__

_HOMES = {
    "taptest.api": "read_lot lot_of analyse predict predict_skis measure check pairs compare relate report open_logbook",
    "taptest.config.settings": "Settings RigUncertainty",
    "taptest.core.errors": "TaptestError",
    "taptest.identify.measured_lot": "MeasuredLot",
    "taptest.identify.predicted": "PredictedSki LotPrediction",
    "taptest.screen.result": "CheckResult",
    "taptest.signal.analysis": "Analysis",
    "taptest.ski.facts": "SkiFacts",
    "taptest.ski.record": "Ski",
    "taptest.tables.lot": "Lot",
}
_HOME = {name: home for home, names in _HOMES.items() for name in names.split()}

__all__ = ["__version__", *_HOME]

if TYPE_CHECKING:
    from taptest.api import analyse as analyse
    from taptest.api import check as check
    from taptest.api import compare as compare
    from taptest.api import lot_of as lot_of
    from taptest.api import measure as measure
    from taptest.api import open_logbook as open_logbook
    from taptest.api import pairs as pairs
    from taptest.api import predict as predict
    from taptest.api import predict_skis as predict_skis
    from taptest.api import read_lot as read_lot
    from taptest.api import relate as relate
    from taptest.api import report as report
    from taptest.config.settings import RigUncertainty as RigUncertainty
    from taptest.config.settings import Settings as Settings
    from taptest.core.errors import TaptestError as TaptestError
    from taptest.identify.measured_lot import MeasuredLot as MeasuredLot
    from taptest.identify.predicted import LotPrediction as LotPrediction
    from taptest.identify.predicted import PredictedSki as PredictedSki
    from taptest.screen.result import CheckResult as CheckResult
    from taptest.signal.analysis import Analysis as Analysis
    from taptest.ski.facts import SkiFacts as SkiFacts
    from taptest.ski.record import Ski as Ski
    from taptest.tables.lot import Lot as Lot


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'taptest' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
