"""Sound to session in a thread, sounds as an answer, lines from a keyboard, and what the screen shows."""

from __future__ import annotations

import io
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console
from support.tapped_skis import Desk, demo, taps_of

from taptest.capture.events import Ended, SkiDone, SkiUp, Status, TapKept, TapRefused, Told
from taptest.capture.lot_table import LotTable
from taptest.capture.session import Session
from taptest.capture.store import Store
from taptest.capture.stream import Block, Level
from taptest.capture.worker import Worker
from taptest.cli.keyboard import Lines
from taptest.core.errors import CaptureError
from taptest.core.messages import Subject, message
from taptest.playback import tones
from taptest.playback.tones import Beeper, length_s, synthesised
from taptest.present.text.analysis_table import TAP_REASONS
from taptest.present.text.live_view import Moment, closing_view, live_view, plain_line

GOOD = taps_of("c05l")


# --- the thread ----------------------------------------------------------------------------------------------------


class Source:
    """Blocks with a number each, then an end, an error, or nothing for ever."""

    name, sample_rate_hz, channels = "test", 48_000, 1

    def __init__(self, count, then=None):
        self.count, self.then, self.closed = count, then, threading.Event()

    def blocks(self):
        for at in range(self.count):
            yield Block(np.full((480, 1), at, dtype=np.float32))
        if self.then == "wait":
            self.closed.wait()
        elif self.then == "hang":
            threading.Event().wait()
        elif self.then is not None:
            raise self.then

    def close(self):
        self.closed.set()


class Listener:
    """A tap in every third block; one more is pending at the end."""

    def __init__(self):
        self.fed, self.ignored = 0, []

    def feed(self, block):
        self.fed += 1
        level = Level(self.fed / 100, -40.0, -20.0, -70.0, 0)
        return [level, GOOD[self.fed // 3 % 5]] if self.fed % 3 == 0 else [level]

    def finish(self):
        return [GOOD[4]]

    def ignore(self, seconds):
        self.ignored.append(seconds)


def worker_on(folder, source, taps=5, answer=None):
    told, listener = [], Listener()
    session = Session(Desk({"A": ""}), Store(folder), told.append, taps=taps)
    session.start()
    return Worker(source, listener, session, threading.Lock(), answer), listener, told


def wait_for(condition):
    until = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < until, "it takes for ever"
        time.sleep(0.01)


def test_blocks_become_taps_and_the_end_is_heard_out(tmp_path):
    worker, listener, told = worker_on(tmp_path / "r", Source(9), answer=lambda: 0.25)
    worker.start()
    wait_for(lambda: not worker.running)
    assert sum(isinstance(each, TapKept) for each in told) == 4 and worker.failure is None
    assert len(listener.ignored) == 4 and min(listener.ignored) >= 0.25 and worker.level.at_s == 0.09


def test_a_device_that_fails_loses_nothing_that_was_heard(tmp_path):
    problem = CaptureError("microphone: unplugged; plug it in")
    worker, _, told = worker_on(tmp_path / "r", Source(4, problem))
    worker.start()
    wait_for(lambda: not worker.running)
    assert worker.failure is problem and sum(isinstance(each, TapKept) for each in told) == 2


def test_a_source_is_closed_and_a_hanging_one_left(tmp_path):
    source = Source(3, "wait")
    worker, _, _ = worker_on(tmp_path / "r", source)
    worker.start()
    worker.stop()
    assert source.closed.is_set() and not worker.running
    hanging, _, _ = worker_on(tmp_path / "s", Source(3, "hang"))
    hanging.start()
    begun = time.monotonic()
    hanging.stop()
    assert hanging.running and time.monotonic() - begun < 30  # three seconds, on a machine that is not overloaded


def test_the_last_tap_ends_the_thread(tmp_path):
    worker, listener, told = worker_on(tmp_path / "r", Source(1000), taps=2)
    worker.start()
    wait_for(lambda: not worker.running)
    assert listener.fed < 12 and isinstance(told[-1], Ended)


def test_a_mistake_of_our_own_is_not_hidden(tmp_path):
    worker, listener, _ = worker_on(tmp_path / "r", Source(3))
    listener.feed = lambda block: 1 / 0
    worker.start()
    wait_for(lambda: not worker.running)
    assert isinstance(worker.failure, ZeroDivisionError)


# --- sounds --------------------------------------------------------------------------------------------------------


def test_sounds_are_quiet_short_without_a_click_and_can_be_told_apart():
    spectra = []
    for kind in ("good", "repeat", "done"):
        sound = synthesised(kind)
        assert np.abs(sound).max() <= 0.1 and 0.05 < len(sound) / tones.SAMPLE_RATE_HZ < 0.5
        # A step of a click would be as large as the sound; a sine of 2 kHz moves by 2 pi f / fs of its amplitude.
        assert np.abs(np.diff(sound, prepend=0.0, append=0.0)).max() < 0.1 * 2 * np.pi * 2000 / tones.SAMPLE_RATE_HZ
        power = np.abs(np.fft.rfft(sound, 2 * tones.SAMPLE_RATE_HZ)) ** 2
        spectra.append(power / np.linalg.norm(power))
        assert length_s(kind) > len(sound) / tones.SAMPLE_RATE_HZ
    likeness = [float(spectra[a] @ spectra[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    assert max(likeness) < 0.1


def test_the_right_sound_is_played_in_its_own_thread():
    played, bells = [], []
    beeper = Beeper(
        lambda: bells.append(1), lambda sound, rate: played.append((threading.current_thread().name, sound))
    )
    beeper.beep("done")
    beeper.close()
    assert played[0][0] == "tones" and np.array_equal(played[0][1], synthesised("done")) and not bells


def test_where_nothing_can_be_played_the_bell_rings():
    def broken(sound, rate):
        raise OSError("PortAudio library not found")

    bells = []
    beeper = Beeper(lambda: bells.append(1), broken)
    beeper.beep("good")
    beeper.beep("repeat")
    beeper.close()
    assert len(bells) == 2


# --- lines ---------------------------------------------------------------------------------------------------------


def test_a_scanner_is_a_keyboard():
    lines = Lines()
    lines.put("S01L\r")
    lines.put("d\nabc\x7f\x7fx")
    assert lines.take() == ["S01L", "d"] and lines.typed == "ax" and lines.take() == []
    lines.put("\x15\x1b[A\x00\x03")
    assert lines.interrupted and lines.typed == "[A"


# --- the view ------------------------------------------------------------------------------------------------------


def drawn(view, width):
    console = Console(width=width, file=io.StringIO(), color_system=None, highlight=False, markup=False)
    console.print(view)
    return console.file.getvalue()


@pytest.fixture
def done(tmp_path):
    path = tmp_path / "lot.csv"
    heading = "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm\n"
    path.write_text(heading + "17L,classic_generic,1990,513,5.035,1400\n", encoding="utf-8")
    analysis = demo("c05l")[1]
    return SkiDone("17L", (Path("17L.flac"),), 5, analysis.modes, LotTable(path).judge("17L", [analysis]))


def moment(done, **changes):
    last = TapRefused("18L", 2, 5, ("double-hit", "cut-short"))
    status = Status("18L", 2, 5, 7, None, last, done, Told(message("ski-skipped", Subject(ski="17L"))), False)
    fields = {"source": "microphone", "level": Level(1.0, -35.0, -12.0, -70.0, 480), "typed": "S0"}
    return Moment(status, **{**fields, **changes})


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_view_fits_and_says_everything(done, width):
    text = drawn(live_view(moment(done), width), width)
    lines = text.splitlines()
    assert max(map(len, lines)) <= width and len(lines) < 24
    text.replace("±", "+-").encode("cp1252")
    joined = " ".join(text.split())
    for part in (
        *("18L", "2 of 5 taps good", "7 skis to go", "double-hit", TAP_REASONS["cut-short"][1], "pass, first mode 30."),
        *("480 samples did not arrive", "-12", "-70", "> S0_", "q quit", "ski 17L skipped"),
    ):
        assert part in joined, part


def test_the_level_bar_shows_what_is_heard(done):
    def bar(level):
        (line,) = [each for each in drawn(live_view(moment(done, level=level), 80), 80).splitlines() if "peak" in each]
        return line.split()[1]

    low, high = bar(Level(0, -80.0, -75.0, -85.0, 0)), bar(Level(0, -20.0, -10.0, -85.0, 0))
    assert low.count("#") < high.count("#") and low.index("|") < high.index("|")
    assert "too loud" in drawn(live_view(moment(done, level=Level(0, -3.0, -0.5, -70.0, 0)), 80), 80)
    bar(Level(0, float("-inf"), float("-inf"), float("-inf"), 0))


def test_a_question_and_a_stop_are_shown(done):
    status = Status(None, 0, 5, 7, "0.52 g? Did you mean 520 g?", None, None, None, False)
    text = drawn(live_view(Moment(status, "microphone", stopped="unplugged; plug it in"), 80), 80)
    assert "Did you mean" in text and "unplugged" in text and "no ski is up" in text


def test_lines_and_the_end_say_the_same(done):
    assert plain_line(SkiUp("A", 0, 5, 3)) == "A: tap it 5 times; 3 skis to go"
    assert plain_line(TapKept("A", 1, 5, (71.96, 131.4))) == "A: tap 1 of 5 good: 72.0, 131.4 Hz"
    assert plain_line(TapRefused("A", 1, 5, ("noisy",))).startswith("A: not counted, 1 of 5 good: noisy: ")
    assert plain_line(done).startswith("17L: pass, first mode 30.") and "5 taps in 17L.flac." in plain_line(done)
    text = " ".join(drawn(closing_view([done], Ended((("B", 2),)), in_full=True), 80).split())
    assert "1 ski recorded." in text and "B (2 taps)" in text and "no proof of strength" in text


def test_an_id_with_control_characters_does_not_reach_the_terminal(done):
    evil = "\x1b[2J"
    assert "\x1b" not in plain_line(SkiUp(evil, 0, 5, 1)) + plain_line(Ended(((evil, 1),)))
    status = Status(evil, 0, 5, 1, None, None, None, None, False)
    assert "\x1b" not in drawn(live_view(Moment(status, "x", typed=evil), 80), 80)
