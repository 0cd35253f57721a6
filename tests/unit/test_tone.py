"""Note names where librosa's compiler may keep nothing: neither beside the library nor at home."""

import os
import stat
from pathlib import Path

import pytest

from taptest.signal.pitch import _let_numba_cache, note_name


@pytest.fixture
def fresh(monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    return _let_numba_cache.__wrapped__


def test_it_gets_a_folder_of_its_own_where_nothing_may_be_written(fresh, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    fresh()
    folder = Path(os.environ["NUMBA_CACHE_DIR"])
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    # ISO 16: A4 is 440 Hz; 12 tones of equal steps make the octave.
    assert note_name(440.0) == ("A4", 0.0) and note_name(440.0 * 2 ** (1 / 12))[0] == "A#4"


def test_otherwise_it_keeps_the_usual_one(fresh, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: True)
    fresh()
    assert "NUMBA_CACHE_DIR" not in os.environ
