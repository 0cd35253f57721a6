"""The one base class of every error that taptest raises on purpose."""


class TaptestError(Exception):
    """Something a user can act on: the message names what was found, what is accepted and what to do next."""


class RecordingError(TaptestError):
    """A sound file that cannot be analysed."""


class ConstructionError(TaptestError):
    """A construction file, or a measurement of a ski, from which no natural frequency can be predicted."""


class LotError(TaptestError):
    """A lot table that cannot be read at all (single bad cells are collected, not raised)."""
