"""The way to a loudspeaker, through a real sound server without a sound card."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile
from support.places import ROOT
from support.virtual_loudspeaker import RATE_HZ, virtual_loudspeaker

TWO = ("recordings_demo/c01l.flac", "recordings_demo/c05r.flac", "--seconds", "1")


def begin(loudspeaker, *arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "taptest", "play", *arguments],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "80", **loudspeaker.environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell that runs the tests in the background has them ignore interrupts, and children inherit that.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )


def wait_for_sound(loudspeaker, playing):
    until = time.monotonic() + 60
    while not loudspeaker.heard().any():
        assert playing.poll() is None, playing.communicate()
        assert time.monotonic() < until, "no sound came out"
        time.sleep(0.05)


@pytest.mark.slow
def test_what_comes_out_is_what_would_be_saved(tmp_path):
    saved = tmp_path / "out.wav"
    subprocess.run(
        [sys.executable, "-m", "taptest", "play", *TWO, "--save", str(saved)], cwd=ROOT, check=True, stdout=-3
    )
    expected, rate = soundfile.read(saved)
    assert rate == RATE_HZ
    with virtual_loudspeaker() as loudspeaker:
        playing = begin(loudspeaker, *TWO)
        printed, complaints = playing.communicate(timeout=120)
        time.sleep(0.5)
        heard = loudspeaker.heard()
    assert playing.returncode == 0
    # A computer too busy to keep up may break the sound up, and then it says so.
    assert complaints == "" or "the sound broke up" in complaints
    assert printed.index("Headphones low") < printed.index("now: c01l.flac")
    assert printed.index("now: c01l.flac") < printed.index("now: c05r.flac")
    assert np.array_equal(heard[:, 0], heard[:, 1])
    assert np.abs(heard).max() <= 10 ** (-12 / 20) + 2**-15
    if complaints == "":
        # One step of a 16-bit word, as the server rounds; found by the largest correlation.
        size = len(heard) + len(expected)
        match = np.fft.irfft(np.fft.rfft(heard[:, 0], size) * np.conj(np.fft.rfft(expected, size)), size)
        offset = int(np.argmax(match))
        assert offset < len(heard)
        sounding = slice(RATE_HZ, len(expected) - RATE_HZ)
        came = heard[offset:, 0][sounding]
        assert np.abs(came - expected[sounding]).max() < 1.01 * 2**-15
        assert np.abs(heard[offset + 1 :, 0][sounding] - expected[sounding]).max() > 2**-10  # control: one sample off


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "status", "part"),
    [
        ("stall", 1, "takes no more sound; start the sound system of this computer anew"),
        ("unplug", 1, "stopped in the middle; was it unplugged?"),
        ("interrupt", 130, "taptest: stopped"),
        ("stalled before", 1, "has not answered for 5 s; start it anew"),
    ],
)
def test_a_sound_system_that_fails_is_one_line_and_no_wait_for_ever(what, status, part):
    with virtual_loudspeaker() as loudspeaker:
        if what == "stalled before":
            loudspeaker.stall()
        playing = begin(loudspeaker, *TWO[:3], "10")
        try:
            if what != "stalled before":
                wait_for_sound(loudspeaker, playing)
            if what == "interrupt":
                playing.send_signal(signal.SIGINT)
            elif what != "stalled before":
                getattr(loudspeaker, what)()
            _, complaints = playing.communicate(timeout=60)
        finally:
            playing.kill()
            playing.wait(10)
    assert playing.returncode == status
    assert part in complaints and complaints.count("\n") == 1
