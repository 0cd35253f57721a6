"""A whole guided session through a real sound system: PortAudio hears the virtual microphone."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading

import numpy as np
import pytest
from support.pseudo_terminal import on_a_terminal
from support.sessions import SKIS, command, frequencies, unrecorded_lot
from support.tapped_skis import demo
from support.virtual_microphone import need_sound_server, virtual_microphone

from taptest.io.recording import from_samples, read_recording
from taptest.signal.analysis import analyse

RATE = 48_000


@pytest.fixture
def lot(tmp_path):
    return unrecorded_lot(tmp_path)


@pytest.mark.slow
def test_three_skis_with_bad_taps_in_between_through_the_sound_system(lot):
    need_sound_server()
    spoilt, analysis = demo("c02l")
    bad = next(tap for tap in analysis.taps if not tap.accepted)
    between = spoilt.samples[bad.onset - RATE // 2 : bad.onset + RATE, 0]
    ends = np.full(RATE, 1, np.int16) * np.random.default_rng(3).integers(-1, 2, RATE).astype(np.int16)
    sounds = [
        np.round(part * 2**15).astype(np.int16) for n in SKIS.values() for part in (between, demo(n)[0].samples[:, 0])
    ]
    played = np.concatenate([ends, *sounds, ends])
    borders = np.cumsum([len(ends), *map(len, sounds)])
    with virtual_microphone() as microphone:
        settings = {**os.environ, **microphone.environment, "COLUMNS": "80", "PYTHONUNBUFFERED": "1"}
        arguments = ["record", lot, "--device", microphone.device, "--quiet"]
        with subprocess.Popen(
            [sys.executable, "-m", "taptest", *map(str, arguments)],
            env=settings,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
        ) as program:
            watchdog = threading.Timer(150, program.kill)
            watchdog.start()
            try:
                first = program.stdout.readline()
                assert "tap it 5 times" in first
                threading.Timer(2.0, lambda: microphone.play(played, wait=False)).start()
                text = first + program.stdout.read()
                assert program.wait(30) == 0, text
            finally:
                watchdog.cancel()
                program.kill()
    assert len(re.findall(r"tap \d of 5 good", text)) == 15 and text.count("double-hit") >= 3
    for ski_id in SKIS:
        kept = read_recording(lot.parent / "recordings" / f"{ski_id}.flac").samples[:, 0]
        words = np.round(kept * 2**15).astype(np.int16)
        assert np.array_equal(words / 2.0**15, kept)
        start = played_at(played, words)
        assert np.array_equal(words, played[start : start + len(words)]), "not bit for bit what was played"
        source = played[start : next(end for end in borders if end >= start + len(words))]
        assert frequencies(analyse(from_samples(kept, RATE))) == pytest.approx(
            frequencies(analyse(from_samples(source, RATE))), rel=1e-4
        )


def played_at(played, words):
    """Where the first contact of a recording was played, told by the samples from there on."""
    loud = int(np.argmax(np.abs(words) > 0.5 * np.abs(words[: 2 * RATE]).max()))
    piece = words[loud : loud + 200]
    (at,) = (
        at
        for at in np.flatnonzero(played[: len(played) - len(piece)] == piece[0])
        if np.array_equal(played[at : at + len(piece)], piece)
    )
    return at - loud


def test_an_unplugged_microphone_is_explained_and_asked_about_and_its_libraries_keep_silent(lot):
    with (
        virtual_microphone() as microphone,
        on_a_terminal(command(lot, "--device", microphone.device, "--quiet")) as terminal,
    ):
        terminal.until("0 of 5 taps good")
        microphone.unplug()
        terminal.until("Enter: open it again", 10.0)
        # It is not there yet: explained once more, asked once more.
        terminal.type("\r")
        terminal.until("cannot be opened", 20.0)
        assert terminal.program.poll() is None
        terminal.type("q\r")
        terminal.until("0 skis recorded")
        assert terminal.program.wait(30) == 1
        assert terminal.attributes() == terminal.before
        for chatter in (b"ALSA", b"PortAudio", b"Pa_", b"PaAlsa", b"Traceback", b"Expression"):
            assert chatter not in terminal.seen
