"""Archives: which files there are, what counts as done, and that nothing which was kept is ever lost."""

import hashlib
import json
import os
import resource
import signal
import subprocess
import sys
import time
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import pytest
from support.archives import by_path, lines_of, make_archive, make_hiss

from taptest.archive.crews import local_crew
from taptest.archive.files import SoundFile, find_sound_files, stamp_of
from taptest.archive.lines import open_lines
from taptest.archive.run import Outcome, analyse_file, in_order, run_archive, to_do
from taptest.config.corrections import Corrections, RoomDecay
from taptest.config.settings import Settings
from taptest.core.errors import ArchiveError
from taptest.io.recording import read_recording
from taptest.present.json.analysis import recording_document
from taptest.signal.analysis import analyse

SETTINGS = Settings(high_hz=600)
posix = pytest.mark.skipif(os.name != "posix", reason="signals, locks and limits as POSIX has them")


@pytest.fixture(scope="module")
def skis(tmp_path_factory):
    return make_archive(tmp_path_factory.mktemp("archive") / "skis")


@pytest.fixture
def hiss(tmp_path):
    return make_hiss(tmp_path / "hiss", 6)


def work(folder, lines, settings=SETTINGS, *, again=False, workers=1):
    """A run over a folder; the names of the files that were analysed, in that order, and its summary."""
    done = []

    def crew(files, settings):
        for outcome in local_crew(workers)(files, settings):
            done.append(Path(outcome.file.name).name)
            yield outcome

    with open_lines(lines, settings, recording_document) as results:
        left = to_do(find_sound_files([str(folder)]).files, results, again=again)
        return done, run_archive(left, results, settings, crew)


def command(*arguments, first=""):
    """The command in a process of its own, with a folder ``first`` on its path."""
    return [sys.executable, "-m", "taptest", "analyse", *map(str, arguments)], {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(filter(None, (first, os.environ["PYTHONPATH"]))),
    }


# --- which files ---------------------------------------------------------------------------------------------------


def test_sound_files_are_found_everywhere_below_in_order_and_once(tmp_path):
    for name in (
        "b/2.wav",
        "b/10.WAV",
        "a/x.Flac",
        "a/deep/y.mp3",
        "z.caf",
        ".hidden/no.wav",
        "a/._x.wav",
        "notes.txt",
    ):
        (tmp_path / name).parent.mkdir(exist_ok=True, parents=True)
        (tmp_path / name).write_bytes(b"")
    if os.name == "posix":
        (tmp_path / "a" / "loop").symlink_to(tmp_path, target_is_directory=True)
        (tmp_path / "linked").symlink_to(tmp_path / "b", target_is_directory=True)  # seen already, as b
    found = find_sound_files([str(tmp_path), str(tmp_path / "b" / "2.wav")])
    names = [Path(file.name).relative_to(tmp_path).as_posix() for file in found.files]
    assert names == ["z.caf", "a/x.Flac", "a/deep/y.mp3", "b/10.WAV", "b/2.wav"]
    assert found.others == 2 and found.problems == ()  # notes.txt and a/._x.wav


def test_a_named_file_is_taken_whatever_it_is_called_and_keeps_its_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "odd.dat").write_bytes(b"")
    found = find_sound_files(["odd.dat", "missing.wav", "./odd.dat"])
    assert [file.name for file in found.files] == ["odd.dat", "missing.wav"]
    assert found.files[0].path == str(tmp_path / "odd.dat")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may look everywhere")
def test_a_closed_folder_is_named(tmp_path):
    (tmp_path / "closed").mkdir(mode=0)
    (problem,) = find_sound_files([str(tmp_path)]).problems
    assert "closed" in problem and "Permission denied" in problem


def test_a_folder_that_cannot_be_looked_into_is_named(tmp_path, monkeypatch):
    def refuse(top, followlinks, onerror):
        onerror(PermissionError(13, "Permission denied", f"{top}/closed"))
        return iter(())

    monkeypatch.setattr(os, "walk", refuse)
    (problem,) = find_sound_files([str(tmp_path)]).problems
    assert "closed: cannot be looked into (Permission denied)" in problem


# --- results -------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_line_is_the_recording_as_it_is_analysed_and_what_it_was(skis, tmp_path):
    settings = replace(SETTINGS, corrections=Corrections(room=RoomDecay((125.0, 1000.0), (0.3, 0.2))))
    work(skis, tmp_path / "r.jsonl", settings)
    assert len(by_path(tmp_path / "r.jsonl")) == 4
    for path, line in by_path(tmp_path / "r.jsonl").items():
        file = Path(path)
        assert file.is_absolute()  # the recordings do not lie below the folder of the lines
        expected = recording_document(analyse(read_recording(file), settings))
        assert {key: line[key] for key in expected} == expected and len(line["modes"]) >= 3
        assert line["file_sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
        assert line["size_bytes"] == file.stat().st_size and line["error"] is None
        whole = file.stat().st_mtime_ns // 10**9
        assert line["modified"].startswith(time.strftime("%Y-%m-%dT%H:%M:%S.", time.gmtime(whole)))
        assert line["settings"]["room"] == {"frequencies_hz": [125.0, 1000.0], "reverberation_s": [0.3, 0.2]}
    assert len({line["sound_sha256"] for line in lines_of(tmp_path / "r.jsonl")}) == 4


@pytest.mark.slow
def test_results_are_equal_whoever_does_the_work(skis, tmp_path):
    for workers in (1, 2):
        _, run = work(skis, tmp_path / f"{workers}.jsonl", workers=workers)
        assert run.analysed == 4 and run.failures == ()
    one, two = (by_path(tmp_path / f"{workers}.jsonl") for workers in (1, 2))
    assert one == two
    # Control: other settings give other results.
    work(skis, tmp_path / "3.jsonl", Settings(high_hz=400))
    assert all(one[path]["modes"] != line["modes"] for path, line in by_path(tmp_path / "3.jsonl").items())


def test_paths_are_from_the_folder_of_the_lines(hiss):
    work(hiss, hiss.parent / "r.jsonl")
    assert sorted(by_path(hiss.parent / "r.jsonl")) == [f"hiss/{number:03d}.wav" for number in range(6)]
    # Moved together, everything is known.
    moved = hiss.parent.rename(hiss.parent.with_name(f"{hiss.parent.name}-moved"))
    done, run = work(moved / "hiss", moved / "r.jsonl")
    assert done == [] and run.known == 6


def test_outcomes_come_in_order_when_they_are_wanted_so():
    files = [SoundFile(str(number), str(number)) for number in range(5)]
    mixed = [Outcome(files[number], SETTINGS) for number in (3, 1, 0, 4, 2)]
    assert [outcome.file.name for outcome in in_order(mixed, files)] == list("01234")


# --- going on ------------------------------------------------------------------------------------------------------


def test_only_what_is_new_or_changed_is_done(hiss):
    lines = hiss.parent / "r.jsonl"
    done, run = work(hiss, lines)
    assert len(done) == run.analysed == 6 and run.known == 0
    assert work(hiss, lines)[0] == []
    make_hiss(hiss, 7)  # writes all anew: 000 to 005 get a new time and the same contents, 006 is new
    assert work(hiss, lines)[0] == ["006.wav"]
    data = bytearray((hiss / "002.wav").read_bytes())
    data[-1] ^= 1
    (hiss / "002.wav").write_bytes(data)  # of the same size
    (hiss / "004.wav").rename(hiss / "x.wav")
    assert work(hiss, lines)[0] == ["002.wav", "x.wav"]
    assert work(hiss, lines)[0] == []


def test_other_settings_or_another_version_are_done_again(hiss, monkeypatch):
    lines = hiss.parent / "r.jsonl"
    for settings in (SETTINGS, replace(SETTINGS, high_hz=601), replace(SETTINGS, room_s=0.3)):
        assert len(work(hiss, lines, settings)[0]) == 6
    for settings in (SETTINGS, replace(SETTINGS, high_hz=601), replace(SETTINGS, room_s=0.3)):
        assert work(hiss, lines, settings)[0] == []
    monkeypatch.setattr("taptest.archive.lines.VERSION", "0.0.1")
    assert len(work(hiss, lines)[0]) == 6


def test_a_bad_file_stops_nothing_and_is_tried_again_only_when_it_changes_or_on_request(hiss):
    lines = hiss.parent / "r.jsonl"
    good = (hiss / "001.wav").read_bytes()
    (hiss / "001.wav").write_bytes(good[:1000])
    done, run = work(hiss, lines, workers=2)
    assert len(done) == 6 and run.analysed == 5 and run.failed_before == 0
    assert by_path(lines)["hiss/001.wav"]["error"] == run.failures[0] and "is cut short" in run.failures[0]
    assert "modes" not in by_path(lines)["hiss/001.wav"]
    done, run = work(hiss, lines)
    assert done == [] and run.known == 5 and run.failed_before == 1 and "is cut short" in run.failures[0]
    done, run = work(hiss, lines, again=True)
    assert done == ["001.wav"] and run.failed_before == 0 and len(run.failures) == 1
    (hiss / "001.wav").write_bytes(good)
    done, run = work(hiss, lines)
    assert done == ["001.wav"] and run.failures == ()


def test_a_file_that_goes_away_meanwhile_leaves_no_line(hiss):
    lines = hiss.parent / "r.jsonl"
    with open_lines(lines, SETTINGS, recording_document) as results:
        left = to_do(find_sound_files([str(hiss)]).files, results)
        (hiss / "003.wav").unlink()
        run = run_archive(left, results, SETTINGS, local_crew(1))
    assert run.analysed == 5 and "003.wav not found" in run.failures[0].replace(": ", " ", 1)
    assert sorted(by_path(lines)) == [f"hiss/{number:03d}.wav" for number in (0, 1, 2, 4, 5)]


def test_an_unforeseen_failure_is_an_outcome(hiss, monkeypatch):
    monkeypatch.setattr("taptest.archive.run.analyse", lambda recording, settings: 1 / 0)
    outcome = analyse_file(find_sound_files([str(hiss)]).files[0], SETTINGS)
    assert outcome.analysis is None and "000.wav: internal error: ZeroDivisionError" in outcome.error


# --- files that were hurt ------------------------------------------------------------------------------------------


def test_a_line_that_was_cut_anywhere_costs_itself_only(hiss):
    lines = hiss.parent / "r.jsonl"
    work(hiss, lines)
    whole = lines.read_bytes()
    ends = [position + 1 for position, byte in enumerate(whole) if byte == ord("\n")]
    for cut in sorted(
        {*range(0, len(whole), 97), *(end + step for end in ends for step in (-2, -1, 0, 1)), 1, 2, 20, 29}
    ):
        lines.write_bytes(whole[:cut])
        complete = sum(end <= cut for end in ends)
        with open_lines(lines, SETTINGS, recording_document) as results:
            left = to_do(find_sound_files([str(hiss)]).files, results)
            torn = min(cut, len(whole)) not in (0, *ends)
            assert left.known == complete and len(results.notes) == torn, cut
        assert lines.read_bytes() == whole[: ends[complete - 1] if complete else 0]
    lines.write_bytes(whole[: ends[3] + 50])
    done, _ = work(hiss, lines)
    assert sorted(done) == ["004.wav", "005.wav"] and by_path(lines) == {
        each["path"]: each for each in map(json.loads, whole.splitlines())
    }


def test_a_damaged_line_in_between_is_done_again_and_left(hiss):
    lines = hiss.parent / "r.jsonl"
    work(hiss, lines)
    parts = lines.read_bytes().splitlines(keepends=True)
    parts[2] = b"\0" * 200 + b"\n"
    lines.write_bytes(b"".join(parts))
    with open_lines(lines, SETTINGS, recording_document) as results:
        assert "line 3 is damaged" in results.notes[0]
    assert work(hiss, lines)[0] == ["002.wav"] and lines.read_bytes().startswith(b"".join(parts))


@pytest.mark.parametrize(
    "content",
    [
        b"ski_id,mass_g\n1,500\n",
        b"RIFF\x24\x00\x00\x00WAVE",
        b'{"schema": "taptest.archive/2", "path": "x"}\n',
        b"[1, 2]\n",
        b"x",
        b"[" * 100_000 + b"\n",
        b'{"schema": "taptest.archive/1", "path": "x"}\n{"schema": "other"}\n',
    ],
)
def test_a_file_that_is_something_else_is_refused_and_stays_as_it_is(tmp_path, content):
    place = tmp_path / "other.csv"
    place.write_bytes(content)
    with pytest.raises(ArchiveError, match=r"other\.csv line \d: is no line of taptest\.archive/1"):
        work(tmp_path, place)
    assert place.read_bytes() == content


def test_values_of_another_kind_in_a_line_count_as_not_done(hiss):
    lines = hiss.parent / "r.jsonl"
    work(hiss, lines)
    document = lines_of(lines)[0]
    for key in ("path", "size_bytes", "modified"):
        lines.write_text(json.dumps({**document, key: [1]}) + "\n", encoding="utf-8")
        with open_lines(lines, SETTINGS, recording_document) as results:
            assert results.known(find_sound_files([str(hiss)]).files[0]) is None, key


def test_places_where_no_file_of_results_can_be_are_named(tmp_path):
    for place, words in ((tmp_path, "is no file"), (tmp_path / "no" / "r.jsonl", "there is no such folder")):
        with pytest.raises(ArchiveError, match=words):
            work(tmp_path, place)


@posix
def test_two_runs_cannot_write_to_one_file(hiss):
    with (
        open_lines(hiss.parent / "r.jsonl", SETTINGS, recording_document),
        pytest.raises(ArchiveError, match="another run is writing"),
        open_lines(hiss.parent / "r.jsonl", SETTINGS, recording_document),
    ):
        pass
    assert work(hiss, hiss.parent / "r.jsonl")[1].analysed == 6  # and the next one can


@posix
def test_a_full_disk_is_named_and_what_was_written_stays(hiss):
    lines = hiss.parent / "r.jsonl"
    work(hiss, lines)
    size = len(lines.read_bytes())
    lines.unlink()
    arguments, environment = command(hiss, "--lines", lines, "--high", "600", "--workers", "1")

    def small_disk():
        resource.setrlimit(resource.RLIMIT_FSIZE, (size // 2, size // 2))

    done = subprocess.run(
        arguments, env=environment, preexec_fn=small_disk, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 1 and "cannot be written (File too large); make room" in done.stderr
    assert "Traceback" not in done.stderr
    done, run = work(hiss, lines)
    assert 0 < run.known < 6 and run.known + run.analysed == 6 and len(by_path(lines)) == 6


# --- processes that end -------------------------------------------------------------------------------------------


@pytest.mark.slow
@posix
@pytest.mark.parametrize("kind", [signal.SIGKILL, signal.SIGINT])
def test_a_run_that_is_stopped_goes_on(tmp_path, kind):
    folder = make_archive(tmp_path / "skis", 12)
    lines = tmp_path / "r.jsonl"
    arguments, environment = command(folder, "--lines", lines, "--high", "600", "--workers", "2")
    run = subprocess.Popen(
        arguments, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    until = time.monotonic() + 60
    while time.monotonic() < until and (not lines.exists() or lines.read_bytes().count(b"\n") < 2):
        time.sleep(0.02)
    os.killpg(run.pid, kind)  # as Ctrl-C on a terminal does: workers included
    out, err = run.communicate(timeout=60)
    before = by_path(lines) if lines.read_bytes().endswith(b"\n") else None
    if kind is signal.SIGINT:
        assert run.returncode == 130 and before is not None and 2 <= len(before) < 12
        assert f"12 recordings\n  {len(before)} analysed now\n  {12 - len(before)} left to do\n" in out
        assert err.splitlines() == [
            "taptest: finishing the recordings in hand; Ctrl-C again stops at once",
            "taptest: stopped; the same command goes on from there",
        ]
    _, again = work(folder, lines)
    assert again.known >= 2 and again.known + again.analysed == 12
    assert len(by_path(lines)) == 12
    if before is not None:
        assert before.items() <= by_path(lines).items()


# Python reads this first in every process of the run. Workers die when they open a file whose name says so, as a library
# for sound may on a damaged one.
_KILLER = """
import os, signal, sys

def die(event, arguments):
    if event == "open" and "killer" in str(arguments[0]):
        os.kill(os.getpid(), signal.SIGKILL)

if any("loky" in each or "multiprocessing" in each or "distributed" in each for each in sys.orig_argv):
    sys.addaudithook(die)
"""


@pytest.mark.slow
@posix
def test_a_file_that_kills_its_process_is_found_and_costs_the_others_nothing(tmp_path):
    folder = make_hiss(tmp_path / "hiss", 8)
    (folder / "003.wav").rename(folder / "killer.wav")
    (tmp_path / "first").mkdir()
    (tmp_path / "first" / "sitecustomize.py").write_text(_KILLER)
    lines = tmp_path / "r.jsonl"
    arguments, environment = command(folder, "--lines", lines, "--workers", "2", first=str(tmp_path / "first"))
    done = subprocess.run(arguments, env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 4, done.stderr
    documents = by_path(lines)
    assert len(documents) == 8 and [path for path, each in documents.items() if each["error"]] == ["hiss/killer.wav"]
    assert "killer.wav: the process that analysed it died" in documents["hiss/killer.wav"]["error"]
    assert "killer.wav: the process that analysed it died" in done.stderr and "Traceback" not in done.stderr


def test_when_every_process_dies_the_run_stops(hiss, monkeypatch):
    from concurrent.futures import Future
    from concurrent.futures.process import BrokenProcessPool

    class Broken:
        def submit(self, *job):
            future = Future()
            future.set_exception(BrokenProcessPool())
            return future

    monkeypatch.setattr("taptest.archive.crews.processes", lambda count: nullcontext(Broken()))
    monkeypatch.setattr("taptest.archive.crews._alone", lambda file, settings: None)
    monkeypatch.setattr("taptest.archive.crews._DEATHS", 4)
    outcomes = local_crew(2)(find_sound_files([str(hiss)]).files, SETTINGS)
    died = []
    with pytest.raises(ArchiveError, match="keep dying, 4 in a row"):
        died.extend(iter(outcomes))
    assert len(died) == 3 and all("died" in outcome.error and outcome.stamp is not None for outcome in died)


def test_a_stamp_tells_states_apart(tmp_path):
    file = tmp_path / "x"
    file.write_bytes(b"abc")
    os.utime(file, ns=(0, 1_700_000_000_123_456_789))
    stamp = stamp_of(str(file), with_contents=True)
    # derived: 1 700 000 000 s after 1970 is 2023-11-14 22:13:20 UTC; the digest of "abc" is the first example of FIPS 180-4.
    assert stamp.modified == "2023-11-14T22:13:20.123456789Z" and stamp.size_bytes == 3
    assert stamp.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
