"""The picture of a recording as a file: readable, repeatable, safe with foreign names, and refused in one line."""

import re
import shutil
import struct
import xml.etree.ElementTree as ET
from functools import partial
from pathlib import Path

import pytest
from support import command_line
from support.places import DEMO

run = partial(command_line.run, "analyse")


def test_an_svg_shows_the_modes_as_text_and_is_the_same_every_time(tmp_path):
    first, again = tmp_path / "a.svg", tmp_path / "b.SVG"
    assert run(DEMO / "c01l.flac", "--picture", first).exit_code == 0
    assert run(DEMO / "c01l.flac", "--picture", again, "--json").exit_code == 0
    assert first.read_bytes() == again.read_bytes()
    root = ET.fromstring(first.read_text(encoding="utf-8"))
    texts = {"".join(each.itertext()) for each in root.iter("{http://www.w3.org/2000/svg}text")}
    # truth.json: bending modes 3, 4 and 6 of C01L ring at 120.75, 191.18 and 382.40 Hz.
    assert {"121", "191", "frequency, Hz", "level, dB", "s"} <= texts
    assert texts & {"381", "382", "383"}  # the room moves it by up to 0.3 %
    said = root.get("aria-label")
    assert (
        "mean spectrum of the good taps" in said
        and "how its tones fade" in said
        and "half-power width" in said
        and "60 dB in" in said
    )
    assert root.get("role") == "img" and not re.search(
        r"href=\"http|url\(http|<script", first.read_text(encoding="utf-8")
    )


def test_a_png_is_one_and_a_picture_is_replaced(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(b"old")
    assert run(DEMO / "c01l.flac", "--picture", path, "--room", "0.3").exit_code == 0
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"  # PNG specification, 5.2
    width, height = struct.unpack(">II", data[16:24])
    assert width > 800 and height > 800


def test_a_hostile_name_is_text(tmp_path):
    recording = Path(shutil.copy(DEMO / "c01l.flac", tmp_path / "<script>&\"'$x$\u202e.flac"))
    path = tmp_path / "a.svg"
    assert run(recording, "--picture", path).exit_code == 0
    text = path.read_text(encoding="utf-8")
    assert "<script" not in text and "\u202e" not in text
    assert "<script>&\"'$x$" in ET.fromstring(text).get("aria-label")


@pytest.mark.parametrize(
    ("picture", "status", "part"),
    [
        ("a.pdf", 1, "a.pdf: pictures are written as .svg or .png"),
        ("nowhere/a.svg", 1, "there is no folder nowhere"),
        ("folder.svg", 1, "is a folder; name a file in it"),
        ("c01l.flac", 1, "c01l.flac: pictures are written as"),
    ],
)
def test_what_cannot_be_written_is_said_before_any_work(tmp_path, monkeypatch, picture, status, part):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.svg").mkdir()
    result = run(DEMO / "c01l.flac", "--picture", picture)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (status, "", 1)
    assert part in result.stderr
    assert [each.name for each in tmp_path.iterdir()] == ["folder.svg"]


def test_one_recording_at_a_time(tmp_path):
    result = run(DEMO / "c01l.flac", DEMO / "c01r.flac", "--picture", tmp_path / "a.svg")
    assert result.exit_code == 2 and "draws one recording" in " ".join(result.stderr.split())


def test_without_a_good_tap_there_is_no_picture_and_that_is_said(tmp_path):
    result = run(DEMO / "s04r.flac", "--picture", tmp_path / "a.svg")
    assert result.exit_code == 4 and "no picture drawn, as it has no good tap" in result.stderr
    assert list(tmp_path.iterdir()) == []
