"""Kept taps: exact, safe before they are announced, never overwritten, found again after a kill at any step."""

from __future__ import annotations

import errno
import os
import shutil
import string
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from support.tapped_skis import demo, taps_of

from taptest.capture import store as store_module
from taptest.capture.store import Store, safe_name, to_words
from taptest.core import durable
from taptest.core.errors import CaptureError
from taptest.io.recording import from_samples, read_recording
from taptest.signal.analysis import analyse

RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
# Reserved device names and characters: "Naming Files, Paths, and Namespaces", Microsoft Learn [from memory].
PLAIN = set(string.ascii_letters + string.digits + "._-")


def filled(folder, ski_id="17L", name="c05l"):
    store = Store(folder)
    for tap in taps_of(name):
        store.keep(ski_id, tap, "one")
    return store


def test_a_joined_recording_is_the_source_to_the_last_bit(tmp_path):
    (joined,) = filled(tmp_path / "r").join("17L")
    source, analysis = demo("c05l")
    assert soundfile.info(joined.path).subtype == "PCM_24"
    back = read_recording(joined.path)
    # The windows follow each other without a gap, so that nothing may differ.
    assert np.array_equal(back.samples, source.samples)
    assert [mode.frequency_hz for mode in analyse(back).modes] == [mode.frequency_hz for mode in analysis.modes]


def test_what_is_judged_is_what_the_file_holds(tmp_path):
    store = Store(tmp_path / "r")
    for tap in (taps_of("c05l")[0], taps_of("c05l")[3], replace(taps_of("c05l")[1], onset_s=100.0)):
        store.keep("17L", tap, "one")
    (joined,) = store.join("17L")
    held = from_samples(joined.words, joined.sample_rate_hz).samples
    assert np.array_equal(held, read_recording(joined.path).samples)


@pytest.mark.slow
def test_windows_with_a_gap_meet_without_a_click(tmp_path):
    """The blend must neither be taken for a tap nor change the noise: all taps are accepted, and none is invented."""
    store = Store(tmp_path / "r")
    windows = [tap for name in ("c01l", "c03l", "s01l") for tap in taps_of(name)[1:4]]
    for at, tap in enumerate(windows):
        store.keep("17L", replace(tap, onset_s=10.0 * at + 5.0), "one")
    (joined,) = store.join("17L")
    found = analyse(from_samples(joined.words, joined.sample_rate_hz)).taps
    lengths = np.cumsum([0, *(len(tap.samples) - 480 for tap in windows)])
    early = [start + tap.onset - each.onset for start, tap, each in zip(lengths, windows, found, strict=False)]
    # Less than a frame of a millisecond is left out at each joint, so that frames stay in step with the stream.
    assert len(found) == 9 and all(-24 <= frames <= 24 + 47 * joints for joints, frames in enumerate(early)), early


def test_words_are_rounded_and_what_is_too_loud_is_halved():
    # 24-bit two's complement: -2^23 .. 2^23 - 1, left-justified in 32 bits.
    assert list(to_words(np.array([-1.0, 0.0, 2.0**-23, 1.0]))) == [-(2**31), 0, 256, 2**31 - 256]
    assert list(to_words(np.array([1.5, -0.5]))) == [round(0.75 * 2**31), round(-0.25 * 2**31)]


def test_taps_of_two_rates_become_two_files(tmp_path):
    store = Store(tmp_path / "r")
    first, second = taps_of("c05l")[:2]
    store.keep("17L", first, "one")
    store.keep("17L", replace(second, sample_rate_hz=44_100), "two")
    joined = store.join("17L")
    assert [each.sample_rate_hz for each in joined] == [48_000, 44_100]
    assert len({each.path for each in joined}) == 2


# --- names ---------------------------------------------------------------------------------------------------------

HOSTILE = [
    "../../etc/passwd",
    "a/b\\c",
    "nul",
    "COM1.txt",
    "..",
    ".",
    "a" * 500,
    "Ж",
    "🎿",
    "-rf",
    "a;b",
    "x\ty",
    " ",
    "%2e",
]


@pytest.mark.parametrize("ski_id", HOSTILE)
def test_hostile_ids_stay_in_the_folder_and_come_back(tmp_path, ski_id):
    folder = tmp_path / "r"
    store = Store(folder)
    store.keep(ski_id, taps_of("c05l")[0], "one")
    store.keep(ski_id, taps_of("c05l")[1], "one")
    again = Store(folder)
    assert again.unfinished() == (ski_id,) and again.count(ski_id) == 2
    (joined,) = again.join(ski_id)
    again.retire(ski_id)
    assert joined.path.parent == folder and [path.name for path in tmp_path.iterdir()] == ["r"]
    assert Store(folder).unfinished() == ()


@given(st.text(max_size=80))
def test_names_are_plain_and_short_and_no_device(ski_id):
    name = safe_name(ski_id)
    assert set(name) <= PLAIN and 0 < len(name) <= 69 and name[0] not in ".-" and name[-1] not in ". "
    assert name.split(".")[0].casefold() not in RESERVED


@given(st.lists(st.text(max_size=6), min_size=2, max_size=8, unique=True))
def test_two_ids_never_share_a_name(ids):
    assert len({safe_name(ski_id) for ski_id in ids}) == len(ids)


def test_ids_that_differ_in_case_only_do_not_share_a_file(tmp_path):
    folder = tmp_path / "r"
    store = Store(folder)
    for ski_id in ("a1", "A1"):
        store.keep(ski_id, taps_of("c05l")[0], "one")
    assert Store(folder).unfinished() in (("a1", "A1"), ("A1", "a1"))
    names = [store.join(ski_id)[0].path.name.casefold() for ski_id in ("a1", "A1")]
    assert len(set(names)) == 2


def test_a_file_of_that_name_is_never_overwritten(tmp_path):
    folder = tmp_path / "r"
    folder.mkdir()
    (folder / "17L.flac").write_bytes(b"somebody's")
    first = filled(folder)
    one = first.join("17L")[0].path
    first.retire("17L")
    two = filled(folder).join("17L")[0].path
    assert (folder / "17L.flac").read_bytes() == b"somebody's" and one != two and one.exists()


# --- steps and faults ----------------------------------------------------------------------------------------------


def test_dropped_taps_are_moved_and_not_lost(tmp_path):
    folder = tmp_path / "r"
    store = filled(folder)
    assert store.drop_last("17L").exists() and store.count("17L") == 4 == Store(folder).count("17L")
    assert store.set_aside("17L") == 4 and store.drop_last("17L") is None
    assert len(list((folder / "dropped").iterdir())) == 5 and Store(folder).unfinished() == ()
    store.keep("17L", taps_of("c05l")[0], "one")
    assert store.count("17L") == 1


def test_a_tap_number_is_not_used_again_over_a_damaged_file(tmp_path):
    folder = tmp_path / "r"
    filled(folder)
    damaged = folder / "unfinished" / "17L" / "tap-005.flac"
    damaged.write_bytes(b"fLaC")
    store = Store(folder)
    assert store.count("17L") == 4
    assert store.keep("17L", taps_of("c05l")[0], "one").path.name == "tap-006.flac"
    assert damaged.read_bytes() == b"fLaC"


class Killed(BaseException):
    """What a kill is to the code: nothing behind it runs."""


def calls_of(monkeypatch, stop_at):
    """Count everything that changes the disk, and stop for good before the call ``stop_at``."""
    count = 0

    def counted(function):
        def wrapped(*args, **options):
            nonlocal count
            if count >= stop_at:
                raise Killed
            count += 1
            return function(*args, **options)

        return wrapped

    for place, name in ((os, "fsync"), (os, "rename"), (os, "replace"), (os, "mkdir"), (os, "unlink"), (os, "rmdir")):
        monkeypatch.setattr(place, name, counted(getattr(place, name)))
    monkeypatch.setattr(durable.tempfile, "mkstemp", counted(durable.tempfile.mkstemp))
    return lambda: count


def whole_life(folder, announced):
    store = Store(folder)
    for tap in taps_of("c05l")[:3]:
        announced.append(store.keep("17L", tap, "one").path.name)
    announced.pop()
    store.drop_last("17L")
    announced.append(store.keep("17L", taps_of("c05l")[3], "one").path.name)
    joined = store.join("17L")
    announced.append("joined")
    store.retire("17L")
    return joined


@pytest.mark.slow
def test_a_stop_before_any_step_loses_no_announced_tap(tmp_path, monkeypatch):
    with monkeypatch.context() as patch:
        count = calls_of(patch, 10**9)
        whole_life(tmp_path / "whole", [])
        steps = count()
    assert steps > 30
    for stop in range(steps):
        folder = tmp_path / f"r{stop}"
        announced: list[str] = []
        with monkeypatch.context() as patch:
            calls_of(patch, stop)
            with pytest.raises(Killed):
                whole_life(folder, announced)
        again = Store(folder)
        if "joined" in announced:
            assert len(analyse(read_recording(folder / "17L.flac")).taps) == 3
            assert again.count("17L") in (0, 3)
        else:
            # The tap that was being kept or dropped may be there; the announced ones are.
            assert len(announced) <= again.count("17L") <= len(announced) + 1, stop
        if again.count("17L"):
            for joined in again.join("17L"):
                assert read_recording(joined.path).samples.shape == (len(joined.words), 1)
            again.retire("17L")
        assert not list(folder.glob(".taptest-*")) and not list((folder / "unfinished").rglob(".taptest-*"))
        shutil.rmtree(folder)


def test_an_earlier_announcement_would_be_seen(tmp_path, monkeypatch):
    """The control of the test above: a tap that is announced before it is stored is missed."""
    monkeypatch.setattr(store_module, "write_durably", lambda path, data: None)
    store = Store(tmp_path / "r")
    store.keep("17L", taps_of("c05l")[0], "one")
    assert Store(tmp_path / "r").count("17L") == 0


def test_a_full_disk_is_explained_and_nothing_is_counted(tmp_path, monkeypatch):
    store = filled(tmp_path / "r")

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(durable.os, "fsync", full)
        with pytest.raises(CaptureError, match=r"No space left on device.*make room"):
            store.keep("17L", taps_of("c05l")[0], "one")
        with pytest.raises(CaptureError, match="No space left on device"):
            store.join("17L")
    assert store.count("17L") == 5 == Store(tmp_path / "r").count("17L")
    assert store.keep("17L", taps_of("c05l")[0], "one").path.name == "tap-006.flac"


def test_a_folder_that_may_not_be_made_is_explained(tmp_path):
    (tmp_path / "r").write_text("a file", encoding="utf-8")
    with pytest.raises(CaptureError, match="cannot be written"):
        Store(tmp_path / "r")
