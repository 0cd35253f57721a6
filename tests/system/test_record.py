"""``taptest record`` from outside: whole sessions replayed, killed, short of disk, and on a terminal."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.pseudo_terminal import on_a_terminal
from support.sessions import SKIS, command, frequencies, unrecorded_lot
from support.tapped_skis import demo

from taptest.capture.store import Store
from taptest.io.recording import from_samples, read_recording
from taptest.signal.analysis import analyse
from taptest.signal.taps import Envelope, find_onsets

SPOILT = "c02l"  # three of its five taps are double hits
RATE = 48_000


def pieces():
    """Three skis one after the other, each after a ski that was struck twice."""
    bad = [tap for tap in demo(SPOILT)[1].taps if not tap.accepted]
    between = demo(SPOILT)[0].samples[bad[0].onset - RATE // 2 : bad[0].onset + RATE, 0]
    return [(between, demo(name)[0].samples[:, 0]) for name in SKIS.values()]


def played():
    return np.concatenate([part for pair in pieces() for part in pair])


def source_of(ski_id, kept):
    """What was played of a ski, from the very sample with which its recording begins."""
    between, sound = pieces()[list(SKIS).index(ski_id)]
    both = np.concatenate((between, sound))
    first = len(between) + demo(SKIS[ski_id])[1].taps[0].onset - RATE  # a second before the contact, give or take
    (start,) = (at for at in range(first - 480, first + 480) if np.array_equal(both[at : at + 99], kept[:99]))
    return both[start:]


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    path = tmp_path_factory.mktemp("sound") / "played.flac"
    soundfile.write(path, played(), RATE, subtype="PCM_24")
    return path


@pytest.fixture
def lot(tmp_path):
    return unrecorded_lot(tmp_path)


def run(*arguments, **options):
    settings = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"}
    options = {"stdin": subprocess.DEVNULL, "env": settings, **options}
    return subprocess.run(command(*arguments), capture_output=True, encoding="utf-8", timeout=300, **options)


@pytest.mark.slow
def test_a_guided_session_over_three_skis_with_bad_taps_in_between(lot, sound):
    before = lot.read_bytes()
    done = run(lot, "--from", sound, "--fast")
    assert done.returncode == 0 and done.stderr == ""
    lines = done.stdout.splitlines()
    assert [line.split(":")[0] for line in lines if "tap it 5 times" in line] == list(SKIS)
    assert sum(bool(re.match(r"\w+: tap [1-5] of 5 good: [\d.]+, ", line)) for line in lines) == 15
    assert sum("not counted" in line and "double-hit" in line for line in lines) >= 3
    expected = before
    for ski_id in SKIS:
        expected = re.sub(rb"(%s;.*);;" % ski_id.encode(), rb"\1;recordings/%s.flac;" % ski_id.encode(), expected)
    assert lot.read_bytes() == expected
    for ski_id in SKIS:
        kept = read_recording(lot.parent / "recordings" / f"{ski_id}.flac")
        source = source_of(ski_id, kept.samples[:, 0])
        assert np.array_equal(kept.samples[:, 0], source[: len(kept.samples)])
        found, expected = analyse(kept), analyse(from_samples(source, RATE))
        assert len(found.taps) == len(found.accepted) == 5
        assert frequencies(found) == pytest.approx(frequencies(expected), rel=1e-4)
    again = run(lot, "--from", sound, "--fast")
    assert again.returncode == 0 and "every ski of the table has a recording" in again.stdout


@pytest.mark.slow
def test_the_modes_are_those_of_analyse_on_the_file_within_a_ten_thousandth(lot, sound):
    done = run(lot, "--from", sound, "--fast", "--json")
    document = json.loads(done.stdout)
    assert document["schema"] == "taptest.session/1" and [ski["ski_id"] for ski in document["skis"]] == list(SKIS)
    for ski in document["skis"]:
        (name,) = ski["recordings"]
        modes = analyse(read_recording(lot.parent / "recordings" / name)).modes
        assert [mode["frequency_hz"] for mode in ski["modes"]] == pytest.approx(
            [mode.frequency_hz for mode in modes], rel=1e-4
        )
        assert (ski["verdict"], ski["taps_good"]) == ("pass", 5)
    assert "C04L: tap 1 of 5 good" in done.stderr


@pytest.mark.slow
def test_the_source_may_end_early_and_the_next_session_goes_on(lot, sound, tmp_path):
    short = tmp_path / "short.flac"
    soundfile.write(short, played()[: 4 * RATE], RATE, subtype="PCM_24")
    first = run(lot, "--from", short, "--fast")
    assert first.returncode == 0 and re.search(r"next time: C04L \(\d taps?\)", first.stdout)
    second = run(lot, "--from", sound, "--fast", "--ski", "C04L", "--taps", "5")
    assert re.search(r"C04L: \d of 5 good", second.stdout) and "1 ski recorded" in second.stdout


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["none.csv", "--from", "played.flac"], 1, "none.csv: not found"),
        (["lot.csv", "--from", "none.flac"], 1, "none.flac"),
        (["lot.csv", "--from", "lot.csv"], 1, "not a sound file"),
        (["lot.csv", "--fast"], 2, "--fast"),
        (["lot.csv", "--from", "x", "--device", "y"], 2, "--device"),
        (["lot.csv", "--taps", "0"], 2, "--taps"),
        (["lot.csv", "--low", "nan", "--from", "x"], 2, "--low"),
        (["lot.csv", "--from", "x", "--channel", "0"], 2, "--channel"),
    ],
)
def test_wrong_use_is_one_line(lot, arguments, status, words):
    done = run(*arguments, cwd=lot.parent)
    assert done.returncode == status and words in done.stderr and "Traceback" not in done.stderr
    assert not (lot.parent / "recordings").exists()


@pytest.mark.slow
def test_a_ski_that_is_not_there_is_asked_about_and_can_be_added(lot, sound):
    answers = "y\n1\n199 cm\n0.513\ny\n5.035\n1400\n"
    done = run(lot, "--from", sound, "--fast", "--ski", "X7", stdin=None, input=answers)
    assert "Add it as a new ski?" in done.stdout
    rows = lot.read_text(encoding="utf-8")
    if "0.513 g? Did you mean 513 g?" in done.stdout:
        assert "X7;;;classic_generic;" in rows


@pytest.mark.skipif(os.name != "posix", reason="limits of a process are a POSIX matter")
def test_a_full_disk_is_explained_and_nothing_is_announced(lot, sound):
    import resource

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = run(lot, "--from", sound, "--fast", "--ski", "C04L", preexec_fn=limit)
    assert done.returncode == 1 and "cannot be written (File too large)" in done.stdout
    assert not re.search(r"tap \d of 5 good", done.stdout) and "tap was heard but not counted" in done.stdout
    assert [path for path in lot.parent.rglob("*.flac") if "recordings" in path.parts] == []
    assert not list(lot.parent.rglob(".taptest-*"))


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are a POSIX matter")
def test_on_a_terminal_keys_work_without_echo_and_it_is_restored(lot, sound):
    with on_a_terminal(command(lot, "--from", sound)) as terminal:
        terminal.until("0 of 5 taps good")
        terminal.until("1 of 5 taps good")
        terminal.type("n tip")
        terminal.until("> n tip_")
        terminal.type("\r")
        terminal.until("noted for ski C04L")
        terminal.type("d\r")
        terminal.until("moved to 'dropped'")
        terminal.program.send_signal(signal.SIGINT)  # Ctrl-C reaches a program through its controlling terminal only
        terminal.until("0 skis recorded")
        assert terminal.program.wait(30) == 0
        assert terminal.attributes() == terminal.before
    assert "tip" in lot.read_text(encoding="utf-8")


# --- killed --------------------------------------------------------------------------------------------------------

KILLS = 50
# One process imports everything once, hears the taps once and forks a session for every kill. What a session computes is left
# out, so that it is over in a few tenths of a second and most of the kills fall into what it writes.
NURSERY = """
import os, random, shutil, signal, sys, time
from pathlib import Path
import soundfile, scipy.linalg, scipy.optimize, scipy.signal, scipy.special
from taptest.cli.station import Options, run_station
from taptest.config.settings import Settings
from taptest.signal.analysis import analyse
from taptest.io.recording import from_samples, read_recording
import taptest.capture.lot_table, taptest.capture.session, taptest.capture.sources, taptest.capture.listener
import taptest.present.text.live_view
from dataclasses import replace
from taptest.capture import listener, session as sessions, sources
from taptest.capture.stream import HeardTap
lot, sound, said, kills = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
one = analyse(read_recording(sound))

def heard_once():
    source = sources.FileSource(sound, speed=None)
    hearing = listener.Listener(source.sample_rate_hz)
    events = [hearing.feed(block) for block in source.blocks()] + [hearing.finish()]
    # All sound alike: which ski a tap was played for is not what this is about.
    return [[replace(e, analysis=one) if isinstance(e, HeardTap) else e for e in each] for each in events]

script = heard_once()

class Heard:
    def __init__(self, *_, **__):
        self.left = iter(script)
    def feed(self, block):
        return next(self.left)
    def finish(self):
        return next(self.left, [])

listener.Listener = Heard
sessions.analyse = lambda *_, **__: one
from taptest.capture.lot_table import LotTable
from taptest.ski.facts import SkiFacts
from taptest.ski.record import Judgement, Ski
LotTable.judge = lambda table, ski_id, *_: Ski(SkiFacts(ski_id), judgement=Judgement("pass", ()))
chance = random.Random(50)
before = Path(lot).read_bytes()

def session(name):
    child = os.fork()
    if not child:
        out = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1); os.dup2(out, 2); os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8"); sys.stdin = os.fdopen(0)
        status = 0
        try:
            run_station(LotTable(Path(lot)), Options(None, 2, None, True, sound, True, False, Settings()))
        except BaseException as problem:
            status = getattr(problem, "exit_code", 99) or 0
        sys.stdout.flush()
        os._exit(status)
    return child

begun = time.monotonic()
_, status = os.waitpid(session(said + "-whole"), 0)
whole = time.monotonic() - begun
print("whole", status, flush=True); sys.stdin.readline()
for count in range(kills):
    shutil.rmtree(Path(lot).parent / "recordings", ignore_errors=True); Path(lot).write_bytes(before)
    child = session(f"{said}-{count}")
    time.sleep(chance.random() * whole)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    print(count, flush=True); sys.stdin.readline()  # until what is left has been looked at
    if count % 10 == 9:
        _, status = os.waitpid(session(f"{said}-{count}-again"), 0)
        print("again", status, flush=True); sys.stdin.readline()
"""


def announced(text):
    """Good taps of each ski that a session has told of."""
    return {ski_id: int(good) for ski_id, good in re.findall(r"^(\w+): tap (\d) of 2 good", text, flags=re.MULTILINE)}


COUNTED = {}


def contacts(path):
    """Number of contacts in a recording, which must be whole."""
    samples = read_recording(path).samples[:, 0]
    content = samples.tobytes()
    if content not in COUNTED:
        COUNTED[content] = len(find_onsets(samples, Envelope(samples, RATE)))
    return COUNTED[content]


def kept(folder):
    """Good taps of each ski that are on the disk, joined or single."""
    joined = {path.stem: contacts(path) for path in folder.glob("*.flac")}
    single = {}
    for path in (folder / "unfinished").glob("[!.]*/tap-*.flac"):
        single[path.parent.name] = single.get(path.parent.name, 0) + contacts(path)
    return {**single, **joined}


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="forks")
def test_fifty_kills_lose_no_announced_tap_and_damage_nothing(lot, tmp_path):
    sound, said = tmp_path / "two.flac", tmp_path / "said"
    sources = [(demo(name)[0].samples[:, 0], demo(name)[1].taps) for name in SKIS.values()]
    soundfile.write(sound, np.concatenate([x[: taps[2].onset - RATE // 20] for x, taps in sources]), RATE, "PCM_24")
    empty, folder, moments = lot.read_bytes(), lot.parent / "recordings", set()
    arguments = [sys.executable, "-c", NURSERY, lot, sound, said, KILLS]
    with subprocess.Popen(
        list(map(str, arguments)), stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8"
    ) as program:

        def looked():
            program.stdin.write("\n")
            program.stdin.flush()

        try:
            assert program.stdout.readline() == "whole 0\n"
            assert announced(Path(f"{said}-whole").read_text(encoding="utf-8")) == dict.fromkeys(SKIS, 2)
            final = lot.read_bytes()
            looked()
            for count in range(KILLS):
                assert program.stdout.readline() == f"{count}\n"
                told, there = announced(Path(f"{said}-{count}").read_text(encoding="utf-8")), kept(folder)
                assert all(there.get(ski_id, 0) >= good for ski_id, good in told.items()), (told, there)
                # The table is whole: as it was, but for recordings that are there.
                table = lot.read_bytes()
                assert re.sub(rb"recordings/\w+\.flac", b"", table) == empty
                assert all(there[name.decode()] == 2 for name in re.findall(rb"recordings/(\w+)\.flac", table))
                moments.add((sum(told.values()), table.count(b"recordings/")))
                # What a session that goes on would find.
                if folder.exists():
                    store = Store(folder)
                    assert all(store.count(s) >= good or (folder / f"{s}.flac").exists() for s, good in told.items())
                    assert not list(folder.rglob(".taptest-*"))
                looked()
                if count % 10 == 9:
                    assert program.stdout.readline() == "again 0\n"
                    # The replay begins again, so that a ski may get what was played for the one before; all are done.
                    assert lot.read_bytes().count(b"recordings/") >= len(told) and len(lot.read_bytes()) <= len(final)
                    looked()
            assert len(moments) >= 5  # the kills were spread over the session
            assert program.wait(60) == 0
        finally:
            program.kill()
