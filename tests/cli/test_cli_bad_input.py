"""Bad files and cells through the commands: each is named with its remedy, and what is good beside it is still done."""

import io
import json
import shutil

import numpy as np
import pytest
import soundfile
from support.command_line import run
from support.lot_files import csv_text, xlsx_bytes
from support.places import DEMO

GOOD = {
    "ski_id": "",
    "construction": "classic_generic",
    "length_mm": "1990",
    "mass_g": "539",
    "stiffness_n_per_mm": "4.438",
    "span_mm": "1400",
    "rig_centre_mm": "",
    "binding_mass_g": "",
    "recording": "",
    "note": "",
}


def sound(samples, rate_hz=48_000, container="WAV", subtype="PCM_16"):
    """A sound file as bytes."""
    target = io.BytesIO()
    soundfile.write(target, samples, rate_hz, format=container, subtype=subtype)
    return target.getvalue()


RING = 0.5 * np.exp(-np.arange(48_000) / 8_000) * np.sin(np.arange(48_000) / 48.0)
SPOILT = np.where(np.arange(48_000) == 4_800, np.nan, RING)
WHOLE = sound(RING)
OPEN = WHOLE[:40] + bytes(4) + WHOLE[44:]  # the data chunk of this 44-byte header says that it holds nothing

RECORDINGS = [
    ("empty.wav", b"", ["empty (0 bytes)", "record or copy it again"]),
    ("list.wav", b"ski_id,mass_g\n01,520\n", ["not a sound file", "WAV, RF64, FLAC"]),
    ("zeros.wav", bytes(4_000), ["not a sound file"]),
    ("head.wav", b"RIFF", ["cut short inside its header"]),
    ("half.wav", WHOLE[: len(WHOLE) // 2], ["cut short", "of the 1.000 s its header announces"]),
    ("half.flac", sound(RING, container="FLAC")[:3_000], ["cut short"]),
    ("open.wav", OPEN, ["its header says 0 frames", "did not close the file"]),
    ("one.wav", sound(RING[:1]), ["shorter than a tap", "let the ski ring"]),
    ("short.wav", sound(RING[:2_400]), ["at least 0.1 s"]),
    ("silent.wav", sound(0 * RING), ["every sample is zero", "muted"]),
    ("same.wav", sound(0 * RING + 0.25), ["the same value"]),
    ("nan.wav", sound(SPOILT, subtype="FLOAT"), ["holds NaN in channel 1, first at frame 4800", "export it again"]),
    ("slow.wav", sound(RING, 4_000), ["4000 Hz; at least 8000 Hz", "record at 44100 or 48000 Hz"]),
    ("many.wav", sound(np.tile(RING[:9_600, None], 65)), ["65 channels"]),
    ("phone.m4a", b"\0\0\0\x20ftypM4A " + bytes(2_000), ["damaged phone recording", "copy it again"]),
    ("phone.amr", b"#!AMR\n" + bytes(200), ["phone recording"]),
    ("zip.flac", b"PK\x03\x04" + bytes(100), ["not a sound file"]),
    ("\x1b[31mred.wav", b"", [r"\x1b[31mred.wav", "empty (0 bytes)"]),
    ("[bold]b.wav", b"", ["[bold]b.wav", "empty (0 bytes)"]),
]
TABLES = [
    ("empty.csv", b"", ["is empty", "one line per ski"]),
    ("heading.csv", b"ski_id,recording\n", ["has a heading but no skis"]),
    ("noid.csv", b"skiid,mass_g\n1,520\n", ["line 1", "no column ski_id", "'skiid' looks like it"]),
    ("sound.csv", WHOLE, ["not a table but a sound file"]),
    ("old.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), ["old Excel", "save it as .xlsx"]),
    ("print.pdf", b"%PDF-1.7\n", ["a PDF"]),
    ("binary.csv", bytes(range(256)) * 8 + bytes(400), ["binary contents"]),
    ("odd.csv", b"ski_id\n\x81\x8d\n", ["no known encoding", "save it as CSV (UTF-8)"]),
    ("half.csv", "ski_id\n1".encode("utf-16")[:-1], ["UTF-16 but is damaged"]),
    ("fake.xlsx", b"PK\x03\x04" + bytes(60), ["damaged .xlsx", "save it again"]),
    ("hidden.xlsx", xlsx_bytes([["ski_id"], ["1"]], state="hidden"), ["no visible sheet"]),
]
# column, cell, what the message says besides file, line, column and value; all in one table.
CELLS = [
    ("mass_g", "0.52", ["looks like kilograms", "write 520"]),
    ("mass_g", "heavy", ["not a number"]),
    ("mass_g", "-520", ["out of range", "50 to 5000 g"]),
    ("mass_g", "NaN", ["not a finite number"]),
    ("mass_g", "1e400", ["too large"]),
    ("mass_g", "1,234", ["may mean 1.234 or 1234", "write 1234 or 1.234"]),
    ("mass_g", "0.52 kg", ["in kg although the column is in g", "write 520"]),
    ("mass_g", "=A1*2", ["not a number"]),
    ("length_mm", "199", ["looks like centimetres", "write 1990"]),
    ("length_mm", "1.99", ["looks like metres"]),
    ("length_mm", "99999", ["out of range", "300 to 2600 mm"]),
    ("stiffness_n_per_mm", "225", ["flattening stiffness", "two-support bending"]),
    ("stiffness_n_per_mm", "4438", ["looks like N/m", "write 4.438"]),
    ("span_mm", "1990", ["only 1990 mm long"]),
    ("span_mm", "140", ["looks like centimetres", "write 1400"]),
    ("rig_centre_mm", "300", ["the supports stand on the ski from 700 to 1290 mm"]),
    ("binding_mass_g", "0.12", ["looks like kilograms", "write 120"]),
    ("recording", "nope.wav", ["no such file", "copy the file there"]),
    ("recording", "goood.flac", ["is good.flac meant?"]),
    ("recording", "../good.flac", ["leaves the folder of the table"]),
    ("recording", "C:\\taps\\good.flac", ["absolute path"]),
    ("recording", "good.flac;good.flac", ["named twice"]),
    ("ski_id", "before", ["id of line 2 already"]),
    ("ski_id", "", ["every ski needs it"]),
    ("construction", "ta\x07per", ["control characters"]),
]


def test_forty_kinds_of_bad_input_are_tried():
    assert len(RECORDINGS) + len(TABLES) + len(CELLS) >= 40


@pytest.mark.parametrize(("name", "data", "parts"), RECORDINGS, ids=[case[0] for case in RECORDINGS])
def test_a_bad_recording_is_one_line_and_a_failure(tmp_path, name, data, parts):
    path = tmp_path / name
    path.write_bytes(data)
    result = run("analyse", path)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
    assert result.stderr.startswith("taptest: ") and result.stderr.strip().isprintable()
    for part in [name if name.isprintable() else "red.wav", *parts]:
        assert part in result.stderr
    assert "internal error" not in result.stderr and "Traceback" not in result.output


@pytest.mark.parametrize("command", ["check", "pairs", "compare", "predict"])
@pytest.mark.parametrize(("name", "data", "parts"), TABLES, ids=[case[0] for case in TABLES])
def test_what_is_no_table_is_one_line_and_a_failure(tmp_path, command, name, data, parts):
    path = tmp_path / name
    path.write_bytes(data)
    result = run(command, path)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
    for part in [f"taptest: {name}", *parts]:
        assert part in result.stderr
    assert "internal error" not in result.stderr and "Traceback" not in result.output


@pytest.fixture
def folder(tmp_path):
    shutil.copy(DEMO / "c01l.flac", tmp_path / "good.flac")
    return tmp_path


def lines_of(*rows):
    return [{**GOOD, **row} for row in rows]


def messages_by_line(stderr):
    found = {}
    for message in stderr.splitlines():
        assert message.startswith("taptest: ") and message.isprintable()
        if message.startswith("taptest: lot.csv line "):
            found.setdefault(int(message.split()[3].strip(",:")), []).append(message)
    return found


@pytest.mark.parametrize("command", ["check", "predict"])
def test_every_bad_cell_of_a_table_is_named_at_once_and_the_good_skis_are_done(folder, command):
    bad = [{"ski_id": f"bad{number}", column: cell} for number, (column, cell, _) in enumerate(CELLS)]
    rows = lines_of({"ski_id": "before", "recording": "good.flac"}, *bad, {"ski_id": "after", "recording": "good.flac"})
    (folder / "lot.csv").write_text(csv_text(rows))
    result = run(command, folder / "lot.csv", "--json")
    assert result.exit_code == 4
    document = json.loads(result.stdout)
    assert [ski["ski_id"] for ski in document["skis"]] == ["before", "after"]
    if command == "check":
        assert all(ski["taps_found"] == 5 and ski["predicted_hz"] for ski in document["skis"])
    messages = messages_by_line(result.stderr)
    assert sorted(messages) == [number + 3 for number in range(len(CELLS))]
    for number, (column, cell, parts) in enumerate(CELLS):
        (message,) = messages[number + 3]
        assert f"lot.csv line {number + 3}, column {column}: found " in message
        first = cell.split(";")[0]
        assert (f"'{first}'" if first.isprintable() else r"\x07") in message or not cell
        for part in parts:
            assert part in message
    assert len(document["problems"]) == len(CELLS)
    assert "Traceback" not in result.output


def test_good_tables_are_silent(folder):
    """Control: the same table without the bad lines."""
    (folder / "lot.csv").write_text(csv_text(lines_of({"ski_id": "before", "recording": "good.flac"})))
    result = run("check", folder / "lot.csv", "--json")
    assert (result.exit_code, result.stderr) == (0, "")


def test_a_bad_recording_in_a_table_costs_its_own_ski(folder):
    (folder / "half.wav").write_bytes(WHOLE[: len(WHOLE) // 2])
    rows = lines_of({"ski_id": "1", "recording": "half.wav"}, {"ski_id": "2", "recording": "good.flac"})
    (folder / "lot.csv").write_text(csv_text(rows))
    result = run("check", folder / "lot.csv", "--json")
    assert result.exit_code == 4
    assert "half.wav" in result.stderr and "cut short" in result.stderr
    first, second = json.loads(result.stdout)["skis"]
    assert first["verdict"] == "not judged" and second["taps_found"] == 5


def test_a_bad_construction_in_a_table_costs_its_own_ski(folder):
    (folder / "odd.toml").write_text('schema = "taptest.construction/1"\nname = "odd"\n')
    rows = lines_of(
        {"ski_id": "1", "recording": "good.flac", "construction": "no_such"},
        {"ski_id": "2", "recording": "good.flac"},
        {"ski_id": "3", "recording": "good.flac", "construction": "odd.toml"},
    )
    (folder / "lot.csv").write_text(csv_text(rows))
    result = run("check", folder / "lot.csv", "--json")
    assert result.exit_code == 4
    assert "no_such" in result.stderr and "classic_generic" in result.stderr and "odd.toml" in result.stderr
    skis = json.loads(result.stdout)["skis"]
    assert [ski["verdict"] == "not judged" for ski in skis if ski["ski_id"] != "2"] == [True] * (len(skis) - 1)
    assert any(ski["ski_id"] == "2" and ski["taps_found"] == 5 for ski in skis)


def test_a_table_with_nothing_but_bad_lines_is_a_failure(folder):
    (folder / "lot.csv").write_text(csv_text(lines_of({"ski_id": "1", "mass_g": "x"})))
    for command in ("check", "pairs", "compare", "predict"):
        result = run(command, folder / "lot.csv")
        assert result.exit_code == 1 and "lot.csv line 2, column mass_g" in result.stderr
