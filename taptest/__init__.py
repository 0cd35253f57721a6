"""Natural frequencies and half-power damping of a hung, tapped ski, and whether it rings as its stiffness and mass say.

What most programs need is here: `analyse`, `predict` and `check`, `open_logbook`, and `as_dict` and `as_frame` for their
results. Everything is loaded when it is first used.
"""

from typing import TYPE_CHECKING

from taptest.core.version import VERSION as __version__

__all__ = [
    "Settings",
    "TaptestError",
    "__version__",
    "analyse",
    "as_dict",
    "as_frame",
    "check",
    "open_logbook",
    "predict",
]

if TYPE_CHECKING:
    from taptest.api import analyse, as_dict, as_frame, check, open_logbook, predict
    from taptest.config.settings import Settings
    from taptest.core.errors import TaptestError


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module 'taptest' has no attribute {name!r}")
    from importlib import import_module

    home = {"TaptestError": "taptest.core.errors", "Settings": "taptest.config.settings"}.get(name, "taptest.api")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
