"""The list of inputs and the check of one: on made-up devices and on sounds whose processing is known."""

from __future__ import annotations

import json
import sys
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from rich.console import Console
from support.struck_sounds import RATE_HZ, follower, good, hum, voice
from typer.testing import CliRunner

from taptest.capture import devices as devices_module
from taptest.capture.devices import InputDevice, list_inputs
from taptest.capture.input_check import FINDINGS, InputCheck, check_input
from taptest.capture.sources import BlocksSource
from taptest.cli import app
from taptest.core.errors import CaptureError
from taptest.core.sound_system import anything_hangs, within
from taptest.present.json.session import devices_document
from taptest.present.text import devices_table
from taptest.present.text.devices_table import devices_view


class FakeLibrary:
    """What PortAudio's binding says of the devices of a computer that does not exist."""

    class PortAudioError(Exception):
        pass

    def __init__(self, devices, default=0) -> None:
        self._devices = devices
        self.default = SimpleNamespace(device=(default, default))
        self.started = 0

    def query_devices(self):
        return self._devices

    def query_hostapis(self):
        return [{"name": "Core"}, {"name": "ALSA"}]

    def _terminate(self) -> None:
        self.started -= 1

    def _initialize(self) -> None:
        self.started += 2


def device(name: str, *, inputs: int = 1, rate_hz: float = 48_000.0, host: int = 0) -> dict:
    return {"name": name, "max_input_channels": inputs, "default_samplerate": rate_hz, "hostapi": host}


SEVERAL = [
    device("Loudspeaker", inputs=0),
    device("Built-in microphone", inputs=2, rate_hz=44_100.0),
    device("Bluetooth headset", rate_hz=16_000.0),
    device("Monitor of loudspeaker", inputs=2),
    device("Desk microphone"),
    device("Desk microphone 2", host=1, rate_hz=44_100.0),
]


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch):
    def install(devices, default=0):
        fake = FakeLibrary(devices, default)
        monkeypatch.setitem(sys.modules, "sounddevice", fake)
        return fake

    return install


def test_inputs_with_what_is_known_against_them(library) -> None:
    library(SEVERAL, default=1)
    inputs = list_inputs()
    assert [(each.number, each.name) for each in inputs][:2] == [(1, "Built-in microphone"), (2, "Bluetooth headset")]
    assert [each.warnings for each in inputs] == [(), ("wireless", "low-sample-rate"), ("playback",), (), ()]
    assert [each.number for each in inputs if each.chosen] == [1]
    assert inputs[0].sample_rate_hz == 44_100
    # ALSA says 44.1 kHz of everything.
    assert (inputs[-1].host, inputs[-1].sample_rate_hz) == ("ALSA", 48_000)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [("4", 4), (4, 4), ("built", 1), ("BLUETOOTH headset", 2), ("Desk microphone", 4), ("microphone 2", 5), (None, 1)],
)
def test_an_input_is_chosen_by_number_or_name(library, wanted, number) -> None:
    library(SEVERAL, default=1)
    assert [each.number for each in list_inputs(wanted) if each.chosen] == [number]


def test_the_first_input_is_taken_where_the_system_has_no_choice(library) -> None:
    library(SEVERAL, default=-1)
    assert [each.number for each in list_inputs() if each.chosen] == [1]


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        ("0", "no input has the number 0; there are 1, 2, 3, 4, 5"),
        ("99", "number 99"),
        ("desk", "several"),
        ("x\x1b", "named like 'x\\\\x1b'"),
    ],
)
def test_an_input_that_is_not_there_is_named(library, wanted, message) -> None:
    library(SEVERAL)
    with pytest.raises(CaptureError, match=message):
        list_inputs(wanted)


def test_no_input_at_all(library) -> None:
    library(SEVERAL[:1])
    with pytest.raises(CaptureError, match="no microphone found; plug one in"):
        list_inputs()
    done = CliRunner().invoke(app, ["devices"], env={"COLUMNS": "80"})
    assert done.exit_code == 1 and done.stdout == ""


def test_devices_are_looked_for_again_when_asked(library) -> None:
    fake = library(SEVERAL)
    list_inputs()
    assert fake.started == 0
    list_inputs(afresh=True)
    assert fake.started == 1


@pytest.mark.parametrize("problem", [OSError("PortAudio library not found"), ImportError("no")])
def test_portaudio_that_is_missing_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch, problem) -> None:
    class Missing:
        def find_spec(self, name, path=None, target=None):
            if name == "sounddevice":
                raise problem
            return

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    monkeypatch.setattr(sys, "platform", "linux")
    done = CliRunner().invoke(app, ["devices", "--check"])
    assert done.exit_code == 1 and done.stdout == ""
    assert "libportaudio2" in done.stderr and done.stderr.count("\n") == 1


def test_a_sound_system_that_hangs_is_told(monkeypatch: pytest.MonkeyPatch, library) -> None:
    fake = library(SEVERAL)
    over = threading.Event()
    fake.query_devices = lambda: over.wait(30)  # type: ignore[method-assign]
    monkeypatch.setattr(devices_module, "within", lambda call, **how: within(call, **{**how, "seconds": 0.1}))
    with pytest.raises(CaptureError, match=r"has not answered for 0\.1 s"):
        list_inputs()
    assert anything_hangs()
    over.set()
    while anything_hangs():  # what hangs would stand in the way of the tests after this one
        time.sleep(0.01)


def checked(samples, rate_hz: int = RATE_HZ) -> InputCheck:
    padded = np.concatenate([samples[: round(0.3 * rate_hz)], samples])  # the first of it is not looked at
    blocks = np.array_split(np.asarray(padded, np.float32)[:, None], 37)
    return check_input(BlocksSource(blocks, rate_hz, 1), seconds=len(samples) / rate_hz)


def test_a_good_input() -> None:
    check = checked(good(snr_db=60.0))
    assert check.findings == ("low-sample-rate",)  # of 16 kHz
    assert check.processing == "none heard" and check.sounds == 3
    # White noise 60 dB below 0.3, of which 15 to 1500 Hz are 1485 of 8000 Hz [derived].
    assert check.noise_db == pytest.approx(20 * np.log10(0.3e-3) + 10 * np.log10(1485 / 8000), abs=1.0)
    assert check.peak_db == pytest.approx(20 * np.log10(0.3), abs=0.1)
    assert check.headroom_db == -check.peak_db


def test_gain_control_and_noise_gates_are_suspected() -> None:
    for target in (0.02, 0.05):
        samples = good(snr_db=45)
        gain = np.minimum(target / np.maximum(follower(samples, RATE_HZ, 0.005, 0.3), 1e-4), 10.0)
        assert "processed" in checked(samples * gain).findings
    for threshold, closed in ((0.01, 0.03), (0.02, 0.1), (0.01, 0.0)):
        samples = good(snr_db=45)
        gate = np.clip((follower(samples, RATE_HZ, 0.002, 0.08) / threshold) ** 2, closed, 1.0)
        assert checked(samples * gate).processing == "suspected"
    # A gate that is shut but for a clap leaves zeros.
    burst = np.zeros(4 * RATE_HZ)
    burst[RATE_HZ : RATE_HZ + 800] = 0.1 * np.random.default_rng(1).standard_normal(800)
    check = checked(burst)
    assert check.processing == "suspected" and check.zero_share > 0.9


def test_rooms_people_and_claps_are_not_suspected() -> None:
    rng = np.random.default_rng(2)
    quiet = 0.001 * rng.standard_normal(5 * RATE_HZ)
    assert checked(quiet).processing == "not tested"
    time = np.arange(len(quiet)) / RATE_HZ
    claps = quiet.copy()
    for at in (1.0, 2.2, 3.4):
        tail = np.where(time >= at, np.exp(-(time - at) / 0.05), 0.0)
        claps += 0.2 * tail * rng.standard_normal(len(quiet))
    assert checked(claps).processing == "none heard"
    # Sixteen bits hold a quiet room without runs of zeros.
    assert checked(np.round(claps * 32768) / 32768).zero_share == 0
    talk = quiet + 0.1 * voice(np.random.default_rng(8), 5.0)
    assert "clipped" not in checked(talk).findings


def test_hum_noise_and_overdriving_are_found() -> None:
    clean = good(snr_db=60.0)
    buzz = checked(clean + hum(len(clean) / RATE_HZ, RATE_HZ, 50.0, [0.01, 0.005, 0.004]))
    assert "hum" in buzz.findings and buzz.hum is not None
    assert buzz.hum.fundamental_hz == pytest.approx(50.0, abs=0.3)
    assert max(buzz.hum.levels_db) == pytest.approx(20 * np.log10(0.01) - 3.01, abs=1.0)  # mean square of a sine
    assert "loud-noise" in checked(clean + 0.02 * np.random.default_rng(3).standard_normal(len(clean))).findings
    loud = checked(np.clip(6 * clean, -1, 1))
    assert "clipped" in loud.findings and loud.clipped > 10


def test_a_source_that_ends_at_once_is_named() -> None:
    with pytest.raises(CaptureError, match=r"gave 0.0 s of sound; at least 2.3 s"):
        check_input(BlocksSource([], RATE_HZ, 1, name="pipe"))


INPUTS = (
    InputDevice(1, "Built-in microphone", "Core", 2, 48_000, True),
    InputDevice(
        2, "Headset \x1b[31m of somebody with a long name", "Core", 1, 16_000, False, ("wireless", "low-sample-rate")
    ),
)
BAD = InputCheck("Built-in microphone", 48_000, 1, 6.0, -45.2, None, 0.0, 12, 0.21, 480, 3, "suspected", FINDINGS)


def drawn(*what, width: int = 80, system: str = "linux") -> str:
    console = Console(width=width, no_color=True, highlight=False)
    with console.capture() as captured:
        console.print(devices_view(*what, width, system))
    return captured.get()


@pytest.mark.parametrize("width", [80, 120])
def test_the_view_fits_and_names_every_remedy(width: int) -> None:
    text = drawn(INPUTS, BAD, width=width)
    assert max(map(len, (line.rstrip() for line in text.splitlines()))) <= width
    assert "\x1b" not in text and text.encode("cp1252")
    for word in ("used", *FINDINGS, *devices_module.WARNINGS[:2], "480 samples lost", "12 samples at full scale"):
        assert word in text
    assert "-45 dB of full scale" in text
    assert "quieter than any microphone" in drawn(INPUTS, replace(BAD, noise_db=-161.0), width=width)
    assert set(devices_table.FINDINGS) == set(FINDINGS) and set(devices_table.DEVICE_WARNINGS) == set(
        devices_module.WARNINGS
    )


@pytest.mark.parametrize(
    ("system", "words"), [("linux", "alsamixer"), ("darwin", "microphone mode"), ("win32", "Audio enhancements")]
)
def test_switching_it_off_is_told_for_each_system(system: str, words: str) -> None:
    assert words in " ".join(drawn(INPUTS, BAD, system=system).split())


def test_the_document() -> None:
    document = json.loads(json.dumps(devices_document(INPUTS, BAD, "linux"), allow_nan=False))
    assert document["schema"] == "taptest.devices/1"
    # The contract: keys may be added.
    keys = "number name host channels sample_rate_hz used warnings"
    assert all(set(keys.split()) <= set(each) for each in document["inputs"])
    keys = (
        "name sample_rate_hz channels duration_s noise_db hum_hz hum_db peak_db headroom_db clipped_samples zero_percent "
        "lost_frames sounds processing findings"
    )
    assert set(keys.split()) <= set(document["check"])
    assert document["check"]["hum_hz"] is None and document["check"]["zero_percent"] == 21.0
    assert devices_document(INPUTS, None, "linux")["check"] is None
