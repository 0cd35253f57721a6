"""A real PortAudio input fed by a virtual microphone: what was played is what comes out, and no fault hangs.

Each runs in a process of its own, as PortAudio lists its devices once and a hung server would hold on to the tests.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.places import DEMO
from support.virtual_microphone import VirtualMicrophone, virtual_microphone

pytestmark = pytest.mark.slow  # sound servers, in real time

# Nothing may hang for longer than three seconds; a busy machine is given as much again to start Python in.
LONGEST_S = 3.0

RECORD = """
import json, sys, time
import numpy as np
from taptest.capture.microphone import Microphone
from taptest.core.errors import CaptureError
seconds, nap_s, waiting_s, out = float(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), sys.argv[4]
microphone = Microphone(sys.argv[5] if len(sys.argv) > 5 else None, waiting_s=waiting_s)
print("ready", flush=True)
taken, lost, error, frames = [], [], None, 0
last = time.monotonic()
try:
    for block in microphone.blocks():
        last = time.monotonic()
        taken.append(block.samples)
        lost.append((frames, block.lost_frames))
        frames += len(block.samples)
        if nap_s and frames:
            time.sleep(nap_s)
            nap_s = 0.0
        if frames >= seconds * microphone.sample_rate_hz:
            break
except CaptureError as problem:
    error = str(problem)
failed = time.monotonic()
microphone.close()
closed = time.monotonic()
np.save(out, np.concatenate(taken) if taken else np.zeros((0, 1), np.float32))
print(json.dumps({"rate": microphone.sample_rate_hz, "frames": frames, "lost": [each for each in lost if each[1]],
                  "error": error, "silent_s": failed - last, "close_s": closed - failed, "end": time.time()}), flush=True)
"""


class Recorder:
    """A process that records from the virtual microphone and tells how it went."""

    def __init__(
        self, folder: Path, seconds: float, *, nap_s: float = 0.0, waiting_s: float = 20.0, device: str | None = None
    ) -> None:
        self._out = folder / "taken.npy"
        words = [str(seconds), str(nap_s), str(waiting_s), str(self._out), *([device] if device else [])]
        self.process = subprocess.Popen(
            [sys.executable, "-c", RECORD, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        ready = self.process.stdout.readline()
        assert ready == "ready\n", self.process.communicate(timeout=30)

    def result(self, timeout: float = 60.0) -> dict:
        out, err = self.process.communicate(timeout=timeout)
        assert self.process.returncode == 0, err
        told = json.loads(out)
        told["exit_s"] = time.time() - told["end"]
        told["samples"] = np.load(self._out)[:, 0]
        return told


def found_at(taken: np.ndarray, played: np.ndarray) -> list[int]:
    """Where in what was taken all of what was played stands, sample for sample."""
    whole = np.round(taken * 32768.0)
    np.testing.assert_array_equal(whole / 32768.0, taken)  # nothing between the steps of 16 bits
    starts = np.flatnonzero(whole == played[0])
    return [int(s) for s in starts if np.array_equal(whole[s : s + len(played)], played)]


def test_what_was_played_comes_out_bit_for_bit(tmp_path: Path) -> None:
    played = np.random.default_rng(1).integers(-30_000, 30_000, 2 * 48_000).astype(np.int16)
    with virtual_microphone() as microphone:
        recorder = Recorder(tmp_path, 3.5)
        microphone.play(played)
        told = recorder.result()
    assert told["rate"] == 48_000 and told["error"] is None and told["lost"] == []
    assert len(found_at(told["samples"], played)) == 1
    # Control: one sample off is seen.
    assert found_at(told["samples"], np.concatenate([played[:1000], played[1001:]])) == []


def test_taps_through_a_real_input_are_those_of_the_file(tmp_path: Path) -> None:
    """The whole path, live: the listener in another process hears of each tap what ``analyse`` says of the file."""
    from taptest.io.recording import read_recording
    from taptest.signal.analysis import analyse

    path = DEMO / "c02l.flac"
    played, _ = soundfile.read(path, dtype="int16")
    code = """
import sys
from taptest.capture.stream import HeardTap
from taptest.capture.listener import Listener
from taptest.capture.microphone import Microphone
microphone = Microphone()
listener = Listener(microphone.sample_rate_hz)
print("ready", flush=True)
frames = 0
for block in microphone.blocks():
    frames += len(block.samples)
    for event in listener.feed(block):
        if isinstance(event, HeardTap):
            print(event.onset_s, event.accepted, flush=True)
    if frames > float(sys.argv[1]) * microphone.sample_rate_hz:
        break
print("lost", listener.lost_frames)
microphone.close()
"""
    with virtual_microphone() as microphone:
        process = subprocess.Popen(
            [sys.executable, "-c", code, str(len(played) / 48_000 + 0.5)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None and process.stdout.readline() == "ready\n"
        microphone.play(played, wait=False)
        out, err = process.communicate(timeout=60)
    *lines, lost = out.splitlines()
    assert lost == "lost 0", err
    live = [(float(line.split()[0]), line.split()[1] == "True") for line in lines]
    whole = [(tap.onset / 48_000, tap.accepted) for tap in analyse(read_recording(path)).taps]
    # Three of the five are double hits (planted, see the README).
    assert [accepted for _, accepted in live] == [accepted for _, accepted in whole]
    assert sum(accepted for _, accepted in live) == 2 and len(live) == 5
    assert np.diff([at for at, _ in live]) == pytest.approx(np.diff([at for at, _ in whole]), abs=2e-3)


def fault(tmp_path: Path, cause: str) -> dict:
    """Record, let something happen after a second, and tell how it ended; the server is let go before it is cleared."""
    with virtual_microphone() as microphone:
        recorder = Recorder(tmp_path, 30.0, device="pulse")
        happened: list[float] = []

        def happen() -> None:
            happened.append(time.time())
            getattr(microphone, cause)()

        threading.Timer(1.0, happen).start()
        told = recorder.result()
        told["after_s"] = told["end"] - happened[0]
    return told


def test_a_server_that_stalls_is_told_within_three_seconds(tmp_path: Path) -> None:
    told = fault(tmp_path, "stall")
    assert "has given no sound" in told["error"] and "restart the sound server" in told["error"]
    assert told["after_s"] < LONGEST_S + 0.5, told  # the half second is what the audio system still had in hand
    assert told["close_s"] < 1.0
    # And the process ends although PortAudio hangs.
    assert told["exit_s"] < LONGEST_S
    assert told["frames"] > 20_000


def test_a_microphone_that_is_unplugged_is_told(tmp_path: Path) -> None:
    told = fault(tmp_path, "unplug")
    assert "has gone (unplugged" in told["error"] or "has given no sound" in told["error"]
    assert told["after_s"] < LONGEST_S and told["exit_s"] < LONGEST_S
    assert told["frames"] > 20_000


def test_a_server_that_dies_is_told(tmp_path: Path) -> None:
    told = fault(tmp_path, "close")
    assert told["error"] is not None
    assert told["after_s"] < LONGEST_S and told["exit_s"] < LONGEST_S


def test_what_a_slow_consumer_misses_is_counted(tmp_path: Path) -> None:
    """Two seconds of sleep with half a second of room: the sound goes on behind a gap of known length."""
    played = np.arange(1, 30_001, dtype=np.int16)
    with virtual_microphone() as microphone:
        recorder = Recorder(tmp_path, 3.0, nap_s=2.0, waiting_s=0.5)
        time.sleep(3.0)
        microphone.play(played, wait=False)
        told = recorder.result()
    assert told["error"] is None
    # Blocks differ in size, so a small one may have found room behind the first that did not.
    places = [at for at, _ in told["lost"]]
    assert max(places) - min(places) < 0.05 * 48_000
    assert sum(lost for _, lost in told["lost"]) / 48_000 == pytest.approx(1.5, abs=0.3)
    assert len(found_at(told["samples"], played)) == 1


def test_exact_zeros_name_the_permission(tmp_path: Path) -> None:
    with virtual_microphone(hiss=False):
        told = Recorder(tmp_path, 10.0).result()
    assert "exact zeros" in told["error"] and "Privacy" in told["error"]


def test_a_stalled_server_does_not_hang_the_list_of_devices() -> None:
    with virtual_microphone() as microphone:
        microphone.stall()
        started = time.monotonic()
        done = taptest("devices")
        microphone.resume()
        assert time.monotonic() - started < 2 * LONGEST_S  # Python has to start as well
    assert done.returncode == 1 and done.stdout == ""
    assert done.stderr.startswith("taptest: the sound system has not answered") and done.stderr.count("\n") == 1


def taptest(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "taptest", *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


def test_devices_lists_and_checks_a_real_input() -> None:
    taps, _ = soundfile.read(DEMO / "c05l.flac", dtype="int16")
    with virtual_microphone() as microphone:
        document = json.loads(taptest("devices", "--json").stdout)
        assert document["schema"] == "taptest.devices/1" and document["check"] is None
        assert [each["name"] for each in document["inputs"]] == ["pulse", "default"]
        assert [each["used"] for each in document["inputs"]].count(True) == 1
        check = checked(microphone, taps)
    assert check["processing"] == "none heard" and check["findings"] == [] and check["sounds"] >= 1
    assert check["lost_frames"] == 0 and check["hum_hz"] == pytest.approx(50, abs=0.6)
    # The loudest sample, of the file itself.
    assert check["peak_db"] == pytest.approx(20 * np.log10(np.abs(taps[: 3 * 48_000] / 32768).max()), abs=6)


def checked(microphone: VirtualMicrophone, sound: np.ndarray) -> dict:
    """What ``devices --check`` says while a sound is played from the moment it listens."""
    process = subprocess.Popen(
        [sys.executable, "-m", "taptest", "devices", "--check", "--seconds", "5", "--json", "--device", "pulse"],
        stdout=subprocess.PIPE,
        text=True,
    )
    # The pipe moves only while somebody listens.
    microphone.play(sound, wait=False)
    out, _ = process.communicate(timeout=60)
    return json.loads(out)["check"]
