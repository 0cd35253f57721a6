"""The name of a tone, for ears: equal temperament, A4 = 440 Hz (ISO 16)."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from contextlib import suppress
from functools import cache
from importlib.util import find_spec
from pathlib import Path


@cache
def _let_numba_cache() -> None:
    """librosa cannot be loaded where numba may keep what it compiles nowhere: neither beside it nor at home.

    It gets a folder of this process then, and of nobody else, since what lies there is run.
    """
    found = find_spec("librosa")
    places = [Path(found.origin).parent / "core"] if found is not None and found.origin is not None else []
    with suppress(RuntimeError):  # no home
        places.append(Path.home())
    if "NUMBA_CACHE_DIR" in os.environ or any(os.access(place, os.W_OK) for place in places):
        return
    folder = tempfile.mkdtemp(prefix="taptest-")
    os.environ["NUMBA_CACHE_DIR"] = folder
    atexit.register(shutil.rmtree, folder, ignore_errors=True)


def note_name(frequency_hz: float) -> tuple[str, float]:
    """Nearest note and how far the tone lies from it [cents], e.g. ``("E3", -12.4)``.

    >>> note_name(440.0)
    ('A4', 0.0)
    """
    _let_numba_cache()
    from librosa.core.convert import hz_to_midi, midi_to_note

    midi = float(hz_to_midi(frequency_hz))
    nearest = round(midi)
    return str(midi_to_note(nearest, unicode=False)), round(100 * (midi - nearest), 1)
