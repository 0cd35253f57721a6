"""What a person writes by hand is read without waiting for a pipe, and without choking on a made-up monster."""

from __future__ import annotations

import os
import tomllib

import pytest

from taptest.beam.bar import load_bar
from taptest.beam.construction import load_construction
from taptest.calibrate.store import load_calibrations
from taptest.core.errors import CalibrationError, ConstructionError, LimitsError
from taptest.core.small_files import parse_toml, read_regular
from taptest.pairs.limits import read_limits


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.timeout(20)
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    pipe = tmp_path / "p.toml"
    os.mkfifo(pipe)
    os.mkfifo(tmp_path / "room-1.json")
    for read, error in ((load_bar, CalibrationError), (read_limits, LimitsError)):
        with pytest.raises(error, match="a pipe or a device"):
            read(str(pipe))
    with pytest.raises(ConstructionError):
        load_construction(str(pipe))
    (problem,) = load_calibrations(tmp_path).problems
    assert "a pipe or a device" in problem


def test_text_is_read_with_or_without_its_mark(tmp_path):
    for mark in (b"", b"\xef\xbb\xbf"):
        (tmp_path / "a").write_bytes(mark + "ä".encode())
        assert read_regular(tmp_path / "a") == "ä"


@pytest.mark.parametrize("key", ["a" + ".a" * 60, '"a"' + ' . "a"' * 60, "x = 1\n[a" + ".b" * 60 + "]"])
def test_a_key_of_many_parts_is_refused(key):
    with pytest.raises(ValueError, match="50 parts"):
        parse_toml(f"{key} = 1")


def test_what_people_write_is_read_as_the_standard_library_does():
    text = "a.b = 1\nnumbers = [" + ", ".join(["0.125"] * 500) + ']\nnote = "one. two. ' + "three.four " * 100 + '"\n'
    assert parse_toml(text) == tomllib.loads(text)
    parse_toml("a" * 240_000 + " = 1")  # at once: the search stays linear
