"""What is kept of a session says the same as the sound it was tapped in: ``analyse`` of either finds the same modes.

A recording keeps the windows around the good taps alone. Everything between them is gone: pauses, bad taps, the sound before the
first and after the last one. None of it may make a difference.
"""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
import soundfile
from support.struck_sounds import struck
from support.tapped_skis import DEMO, Desk, demo

from taptest.capture.events import SkiDone, TapKept
from taptest.capture.listener import Listener
from taptest.capture.session import Session
from taptest.capture.sources import FileSource
from taptest.capture.store import Store
from taptest.capture.worker import Worker
from taptest.io.recording import read_recording
from taptest.signal.analysis import analyse

# Every recording of a ski; in the last one somebody talks, and no tap of it is good.
SKIS = sorted(path.stem for path in DEMO.glob("[cs]0??.flac") if path.stem != "s04r")
# Every eighth is enough for the quick tests.
MARKED = [pytest.param(name, marks=pytest.mark.slow if at % 8 else ()) for at, name in enumerate(SKIS)]
# As close as asked for; what is read is the same words, and mostly the very same modes come out.
WITHIN = 1e-4


def recorded(path, folder, taps):
    """What `record` keeps of a file that is replayed, and what it tells meanwhile."""
    told = []
    session = Session(Desk({"A": ""}), Store(folder), told.append, taps=taps)
    session.start()
    source = FileSource(path, speed=None)
    worker = Worker(source, Listener(source.sample_rate_hz), session, threading.Lock())
    worker.start()
    while worker.running:
        time.sleep(0.01)
    assert worker.failure is None and any(isinstance(each, SkiDone) for each in told), told
    return read_recording(folder / "A.flac"), told


def same_modes(kept, whole):
    frequencies_hz = [mode.frequency_hz for mode in whole.modes]
    assert len(whole.accepted) == len(kept.accepted) == len(kept.taps)
    assert [mode.frequency_hz for mode in kept.modes] == pytest.approx(frequencies_hz, rel=WITHIN)
    assert [mode.damping_ratio for mode in kept.modes] == pytest.approx(
        [mode.damping_ratio for mode in whole.modes], rel=0.01
    )
    assert len(frequencies_hz) >= 5


@pytest.mark.parametrize("name", MARKED)
def test_the_modes_of_every_ski_of_the_demonstration(name, tmp_path):
    whole = demo(name)[1]
    kept, told = recorded(DEMO / f"{name}.flac", tmp_path / "r", len(whole.accepted))
    same_modes(analyse(kept), whole)
    # Nor does a session take any of these for two skis.
    assert [each.differs for each in told if isinstance(each, TapKept)] == [None] * len(whole.accepted)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_long_pauses_and_bad_taps_in_between_make_no_difference(rate_hz, tmp_path):
    onsets = [3.0, 8.5, 8.56, 14.2, 19.7, 19.75, 21.9]  # two of them double hits
    sound = struck(np.random.default_rng(40), onsets, seconds=27.0, rate_hz=rate_hz, snr_db=55.0)
    path = tmp_path / "played.flac"
    soundfile.write(path, sound, rate_hz, subtype="PCM_24")
    kept, _ = recorded(path, tmp_path / "r", 3)
    assert kept.duration_s < 12.0
    same_modes(analyse(kept), analyse(read_recording(path)))
