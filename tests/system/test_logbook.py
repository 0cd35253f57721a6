"""The logbook in SQLite and in PostgreSQL: what goes in comes out, once, whole, and nothing is written over."""

from __future__ import annotations

import hashlib
import json
import math
import struct
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from support.logbook_results import add, checked, day, heard, modes, row, sound
from support.postgres_server import postgres_server
from support.result_objects import mode, told, verdict

from taptest.config.corrections import Citation, Corrections
from taptest.config.settings import Settings
from taptest.core.durable import write_durably
from taptest.core.errors import LogbookError, LogbookUnreachable
from taptest.io.recording import from_samples, read_recording
from taptest.logbook import book as book_module
from taptest.logbook import sounds as sounds_module
from taptest.logbook.book import open_logbook
from taptest.logbook.engine import READING
from taptest.logbook.place import place_of
from taptest.logbook.schema import BELOW, METADATA, digest_of, stored_values
from taptest.logbook.sounds import store_sound
from taptest.signal.identity import sound_sha256


@pytest.fixture(scope="module")
def server():
    with postgres_server() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request, tmp_path, monkeypatch):
    """A logbook that does not exist yet."""
    if request.param == "sqlite":
        return str(tmp_path / "logbook.sqlite")
    monkeypatch.setenv("TAPTEST_SOUNDS", str(tmp_path / "sounds"))
    return request.getfixturevalue("server").new_database()


def opened(where, **names):
    return open_logbook(where, **{"station": "bench 1", "operator": "A", **names})


def rows_of(book, table):
    with book.engine.connect().execution_options(**READING) as connection:
        return [dict(each) for each in connection.execute(select(METADATA.tables[table])).mappings()]


def counts(book):
    with book.engine.connect().execution_options(**READING) as connection:
        return {
            name: connection.scalar(select(func.count()).select_from(table)) for name, table in METADATA.tables.items()
        }


# --- sounds --------------------------------------------------------------------------------------------------------


def test_a_sound_is_known_by_what_is_in_it_and_not_by_its_file(tmp_path):
    samples = (np.random.default_rng(1).integers(-(2**15), 2**15, (4800, 2)) / 2**15).astype(float)
    for name in ("a.wav", "b.flac", "c.aiff"):
        soundfile.write(tmp_path / name, samples, 48_000, subtype="PCM_16")
    found = {sound_sha256(read_recording(tmp_path / name)) for name in ("a.wav", "b.flac", "c.aiff")}
    # The definition, written down once more: text, then every sample as a 64-bit float.
    plain = hashlib.sha256(b"sound/1 48000 2 4800\n" + struct.pack("<9600d", *samples.ravel()))
    assert found == {plain.hexdigest()}
    other = samples.copy()
    other[4000, 1] += 2.0**-15
    assert sound_sha256(from_samples(other, 48_000)) not in found
    assert sound_sha256(from_samples(samples, 44_100)) not in found
    zeros = samples * 1.0
    zeros[zeros == 0] = -0.0
    assert sound_sha256(from_samples(zeros, 48_000)) in found


@pytest.mark.parametrize(
    ("name", "subtype", "kept_as", "bits"),
    [
        ("a.wav", "PCM_16", "FLAC PCM_16", 16),
        ("a.wav", "PCM_24", "FLAC PCM_24", 24),
        ("a.wav", "PCM_U8", "FLAC PCM_16", 16),
        ("a.wav", "PCM_32", "WAV DOUBLE", None),
        ("a.wav", "FLOAT", "WAV FLOAT", None),
        ("a.wav", "DOUBLE", "WAV DOUBLE", None),
        ("a.ogg", "VORBIS", "WAV", None),
        ("a.mp3", "MPEG_LAYER_III", "WAV", None),
    ],
)
def test_a_kept_sound_is_the_source_to_the_last_bit(name, subtype, kept_as, bits, tmp_path):
    recording = read_recording(sound(tmp_path, name, subtype=subtype))
    stored = store_sound(tmp_path / "sounds", recording)
    kept = tmp_path / "sounds" / stored.file
    back = read_recording(kept)
    assert np.array_equal(back.samples, recording.samples) and back.peak_full_scale == recording.peak_full_scale
    assert sound_sha256(back) == stored.sha256 == kept.stem and kept.parent.name == stored.sha256[:2]
    about = soundfile.info(kept)
    assert f"{about.format} {about.subtype}".startswith(kept_as) and stored.bits == bits


@settings(max_examples=25, deadline=None)
@given(
    bits=st.sampled_from([8, 15, 16, 23, 24]),
    channels=st.integers(1, 9),
    words=st.lists(st.integers(0, 2**24 - 1), min_size=1, max_size=30),
)
def test_every_depth_and_extreme_survives(tmp_path_factory, bits, channels, words):
    folder = tmp_path_factory.mktemp("sounds")
    values = np.resize(
        np.array([-(2 ** (bits - 1)), 2 ** (bits - 1) - 1, *(w % 2**bits - 2 ** (bits - 1) for w in words)]),
        4800 * channels,
    )
    recording = from_samples(values.reshape(channels, -1).T / 2.0 ** (bits - 1), 48_000)
    stored = store_sound(folder, recording)
    assert np.array_equal(read_recording(folder / stored.file).samples, recording.samples)


@pytest.mark.parametrize("peak", [1.0, 3.0, -1.5])
def test_a_level_that_no_whole_number_reaches_is_kept_as_it_is(peak, tmp_path):
    samples = np.zeros(4800)
    samples[100:200] = peak  # on the grid of 16 bits, but beyond its last step
    recording = from_samples(samples, 48_000)
    stored = store_sound(tmp_path, recording)
    back = read_recording(tmp_path / stored.file)
    assert np.array_equal(back.samples, recording.samples) and back.peak_full_scale == recording.peak_full_scale
    assert stored.bits is None


def test_the_file_is_on_the_disk_before_the_row(where, tmp_path, monkeypatch):
    path = sound(tmp_path)
    with opened(where) as book:

        def full(path, data):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(sounds_module, "write_durably", full)
        with pytest.raises(LogbookError, match=r"cannot be kept there \(No space left on device\), so nothing was"):
            book.add_sound(read_recording(path))
        assert counts(book)["recordings"] == 0
        seen = []
        monkeypatch.setattr(
            sounds_module, "write_durably", lambda *a: (seen.append(counts(book)["recordings"]), write_durably(*a))
        )
        sha256 = book.add_sound(read_recording(path))
        (kept,) = rows_of(book, "recordings")
        assert seen == [0] and kept["id"] == sha256 and (book.place.sounds / kept["stored_as"]).exists()
        assert kept["file_name"] == "a.flac" and str(tmp_path) not in json.dumps(kept, default=str)


# --- analyses ------------------------------------------------------------------------------------------------------


def test_an_analysis_is_there_once_and_a_new_one_says_what_it_supersedes(where, tmp_path):
    path = sound(tmp_path)
    recording, found = read_recording(path), heard()
    with opened(where) as book:
        assert not book.analysed(path) and not book.analysed(sound_sha256(recording))
        first = book.add_analysis(recording, found, ski_id="17L")
        before = counts(book)
        again = book.add_analysis(recording, found, ski_id="17L")
        assert (first.new, again.new, again.id) == (True, False, first.id) and counts(book) == before
        assert book.analysed(path) and book.analysed(sound_sha256(recording))
        wide = Settings(high_hz=900.0)
        assert not book.analysed(path, wide)
        second = book.add_analysis(recording, found, wide)
        superseded = {each["id"]: each["supersedes"] for each in rows_of(book, "analyses")}
        assert superseded == {first.id: None, second.id: first.id} and book.analysed(path, wide)
        assert before["taps"] == len(found.taps) == 5 and before["modes"] == len(found.modes) == 3
        ((ski,), more) = book.skis()
        assert (ski.ski_id, ski.verdict, more) == ("17L", None, False)
        assert [each.name for each in book.ski("17l").recordings] == ["a.flac"] and book.ski("17L").last is None
        assert book.history("17L").points == ()


def test_another_program_analyses_again(tmp_path, monkeypatch):
    recording = read_recording(sound(tmp_path))
    with opened(tmp_path / "l.sqlite") as book:
        first = book.add_analysis(recording, heard())
        monkeypatch.setattr(book_module, "SOFTWARE", "taptest 9.9")
        assert not book.analysed(sound_sha256(recording))
        second = book.add_analysis(recording, heard())
        superseded = {each["id"]: each["supersedes"] for each in rows_of(book, "analyses")}
        assert second.new and superseded == {first.id: None, second.id: first.id}


def test_a_changed_file_is_not_taken_for_the_one_that_was_analysed(tmp_path):
    path = sound(tmp_path)
    with opened(tmp_path / "l.sqlite") as book:
        book.add_analysis(read_recording(path), heard())
        assert book.analysed(path)
        sound(tmp_path, pitch_hz=300.0)
        assert not book.analysed(path) and not book.analysed(tmp_path / "none.flac")


def test_what_is_no_number_is_stored_as_nothing(where, tmp_path):
    odd = heard(modes=(replace(mode(), frequency_u_hz=math.nan, level_db=-math.inf),))
    with opened(where) as book:
        book.add_analysis(read_recording(sound(tmp_path)), odd, ski_id="nul\0 \ud800")
        (kept,) = rows_of(book, "modes")
        assert (
            kept["frequency_u_hz"] is None
            and kept["level_db"] is None
            and kept["frequency_hz"] == odd.modes[0].frequency_hz
        )
        assert len(book.skis()[0]) == 1


# --- checks --------------------------------------------------------------------------------------------------------


def a_check(folder):
    citation = Citation("room", day(1), 1.0, "room-20260301T143000Z.json", "damping is not judged")
    result = checked(
        (row("C05L", (sound(folder, "l.flac", 210.0),), side="L"), verdict("C05L", modes=modes())),
        (
            row("C05R", (sound(folder, "r.flac", 220.0),), note="nick"),
            verdict("C05R", "outlier", ["uneven", "tap again"], modes=modes(0.98)),
        ),
        (row("C06L", (folder / "gone.flac",)), verdict("C06L", "not judged", measured_hz=None, modes=())),
        corrections=Corrections(citations=(citation,)),
    )
    return replace(
        result,
        remarks=(told("a note"),),
        skis=tuple(
            replace(ski, analyses=tuple(heard(path=str(path)) for path in ski.facts.recordings)) for ski in result.skis
        ),
    )


def test_a_check_comes_back_as_it_was(where, tmp_path):
    result = a_check(tmp_path)
    with opened(where) as book:
        added = book.add_check(result, at=day(2))
        assert added.new and added.notes == ()
        skis, more = book.skis()
        assert [(each.ski_id, each.verdict) for each in skis] == [
            ("C05L", "pass"),
            ("C05R", "outlier"),
            ("C06L", "not judged"),
        ]
        assert (
            [each.ski_id for each in book.skis(limit=2)[0]] == ["C05L", "C05R"] and book.skis(limit=2)[1] and not more
        )
        assert [each.ski_id for each in book.skis(verdict="outlier")[0]] == ["C05R"]
        assert [each.ski_id for each in book.skis("c06")[0]] == ["C06L"] and book.skis("%")[0] == ()
        assert book.skis(construction="skate_generic")[0] == ()
        page = book.ski("c05r")
        last = page.last
        assert (last.verdict, last.reasons, last.note) == ("outlier", ("uneven", "tap again"), "nick")
        assert (last.mass_kg, last.stiffness_n_per_m, last.length_m) == (0.539, 4438.0, 1.99)
        assert [(m.order, m.frequency_hz) for m in last.modes] == [(m.order, m.frequency_hz) for m in modes(0.98)]
        assert (last.measured, last.station, last.operator, last.lot) == (day(2), "bench 1", "A", "lot.csv")
        assert [(each.kind, each.made, each.effect) for each in page.calibrations] == [
            ("room", day(1), "damping is not judged")
        ]
        assert [each.name for each in page.recordings] == ["r.flac"] and page.verdicts == 1
        assert page.predictions[0].frequency_hz == 27.43
        assert counts(book)["analyses"] == 2 and book.analysed(tmp_path / "l.flac")


def test_a_check_made_twice_is_there_once_and_a_new_one_supersedes_on_the_same_sounds_only(where, tmp_path):
    result = a_check(tmp_path)
    with opened(where) as book:
        first = book.add_check(result)
        before = counts(book)
        again = book.add_check(result)
        assert (again.id, again.new) == (first.id, False) and counts(book) == before
        turned = replace(
            result,
            skis=tuple(replace(ski, judgement=replace(ski.judgement, verdict="pass")) for ski in result.skis),
        )
        later = book.add_check(turned)
        assert later.new and len(later.notes) == 1 and "C05R was an outlier on the same sound before" in later.notes[0]
        assert [each.verdict.verdict for each in book.history("C05R").points] == ["pass"]
        both = book.history("C05R", superseded=True).points
        assert [(p.verdict.verdict, p.verdict.superseded) for p in both] == [("outlier", True), ("pass", False)]
        assert both[1].verdict.supersedes == both[0].verdict.id
        # Other sounds of the same ski stand beside it.
        add(book, "C05R", sound(tmp_path, "new.flac", 230.0), at=day(9))
        assert len(book.history("C05R").points) == 2
        # Without any sound nothing tells that it is the same measurement.
        assert [p.verdict.superseded for p in book.history("C06L", superseded=True).points] == [False, False]


def test_nothing_of_a_check_is_there_when_a_part_cannot_be_entered(where, tmp_path, monkeypatch):
    result = a_check(tmp_path)
    with opened(where) as book:
        empty = counts(book)

        def stop(connection, verdicts):
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(book_module, "verdicts_before", stop)
            with pytest.raises(KeyboardInterrupt):
                book.add_check(result)
        assert counts(book) == empty
        assert book.add_check(result).new


def test_every_digest_can_be_computed_from_what_is_stored(where, tmp_path):
    result = a_check(tmp_path)
    with opened(where) as book:
        book.add_check(result)
        seen = 0
        for name, below in BELOW.items():
            table = METADATA.tables[name]
            under = {child.name: (rows_of(book, child.name), column) for child, column in below}
            for each in rows_of(book, name):
                own = {child: [r for r in rows if r[column] == each["id"]] for child, (rows, column) in under.items()}
                assert digest_of(table, each, own) == each["digest"], name
                seen += 1
                for child, rows in own.items():  # control: every stored value counts
                    if rows:
                        assert digest_of(table, each, {**own, child: rows[1:]}) != each["digest"]
                changed = {**each, "made_utc": each["made_utc"] + timedelta(microseconds=1)}
                assert digest_of(table, changed, own) != each["digest"]
        assert seen == 2 + 2 + 1 + 3


def test_two_skis_under_one_id_are_pointed_out(tmp_path):
    with opened(tmp_path / "l.sqlite") as book:
        add(book, "01", sound(tmp_path), at=day(1))
        assert add(book, "01", sound(tmp_path, "b.flac", 300.0), at=day(2), length_m=1.992).notes == ()
        (told,) = add(book, "01", sound(tmp_path, "c.flac", 400.0), at=day(3), length_m=1.90).notes
        assert told.startswith("ski 01 is 1900 mm long and was 1992 mm in the logbook")


def test_times_are_utc_whatever_zone_they_come_in(where, tmp_path):
    east = timezone(timedelta(hours=9))
    with opened(where) as book:
        add(book, "17L", sound(tmp_path), at=datetime(2026, 3, 2, 1, 30, tzinfo=east))
        assert book.ski("17L").last.measured == datetime(2026, 3, 1, 16, 30, tzinfo=UTC)
        assert book.ski("17L").last.measured.utcoffset() == timedelta(0)


def test_a_ski_that_is_not_there_is_named_with_those_like_it(tmp_path):
    with opened(tmp_path / "l.sqlite") as book:
        for name in ("A7L", "A7R", "a7l"):
            add(book, name, sound(tmp_path, f"{name}.flac", 200.0 + len(name)), at=day(1))
        assert book.ski("a7l").ski_id == "a7l" and book.ski("a7r").ski_id == "A7R"
        with pytest.raises(LogbookError, match="similar: A7L, a7l, A7R"):
            book.ski("A75")
        with pytest.raises(LogbookError, match="'A7l' may be any of"):
            book.ski("A7l")
        with pytest.raises(LogbookError, match="no ski 'x'; 'taptest log list' shows"):
            book.history("x")


# --- several at once -----------------------------------------------------------------------------------------------

_STATION = """
import sys
from pathlib import Path
from support.logbook_results import add, day, sound
from taptest.logbook.book import open_logbook
where, name, folder = sys.argv[1:]
shared = sound(folder, f"{name}-shared.flac")
with open_logbook(where, station=name) as book:
    for number in range(10):
        add(book, f"{name}{number}", sound(folder, f"{name}{number}.flac", 300 + 10 * number + hash(name) % 7), at=day(1))
        add(book, "both", shared, at=day(1), factor=1 + number / 1000, stiffness_n_per_m=4000.0 + number)
"""


def test_stations_that_open_a_new_logbook_and_write_at_once_lose_nothing(where, tmp_path):
    stations = [
        subprocess.Popen([sys.executable, "-c", _STATION, where, name, str(tmp_path)], stderr=subprocess.PIPE)
        for name in ("L", "M", "N")
    ]
    assert [station.communicate(timeout=120)[1] for station in stations] == [b"", b"", b""]
    with opened(where) as book:
        assert {each.ski_id for each in book.skis()[0]} == {"both", *(f"{s}{n}" for s in "LMN" for n in range(10))}
        # What all three made is there once, by contents.
        assert len(book.history("both", superseded=True).points) == 10
        assert sorted(each["name"] for each in rows_of(book, "stations")) == ["L", "M", "N"]
        assert len(rows_of(book, "meta")) == 3


def test_a_server_that_is_gone_is_told_apart_from_one_that_refuses(server, tmp_path, monkeypatch):
    monkeypatch.setenv("TAPTEST_SOUNDS", str(tmp_path))
    with pytest.raises(LogbookUnreachable, match=r"^postgresql://owner@local/x: the logbook cannot be reached"):
        open_logbook(f"postgresql://owner@/x?host={tmp_path}")
    with pytest.raises(LogbookError, match="does not exist") as refused:
        open_logbook(server.address("none"))
    assert not isinstance(refused.value, LogbookUnreachable)
    assert str(server.folder) not in str(refused.value).split(": the logbook")[0]
    with opened(server.new_database()) as book:
        server.stop()
        try:
            with pytest.raises(LogbookUnreachable):
                book.skis()
        finally:
            server.start()
        assert book.skis() == ((), False)


# --- where it is ---------------------------------------------------------------------------------------------------


def test_a_password_is_refused_and_never_shown(monkeypatch):
    for address in (
        "postgresql://me:s3cret@h/db",
        "postgres://me@h/db?password=s3cret",
        "postgresql://me@h/db?sslpassword=s3cret",
        "postgresql://me@h/db?pass%77ord=s3cret",
        "postgresql://me:s3@cret@h/db",
        "host=h user=me password = s3cret",
        "postgresql://me@h:s3cret/db",
        "postgresql://me@[s3cret/db",
        "postgresql://h/db#s3cret",
        "mysql://me:s3cret@h/db",
    ):
        monkeypatch.setenv("TAPTEST_LOGBOOK", address)
        with pytest.raises(LogbookError) as refused:
            open_logbook()
        assert type(refused.value) is LogbookError, "somebody was asked for the password's sake"
        assert "s3cret" not in str(refused.value) and "cret@" not in str(refused.value), address


def test_where_a_logbook_is(tmp_path, monkeypatch):
    monkeypatch.delenv("TAPTEST_LOGBOOK", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    if sys.platform.startswith("linux"):
        # XDG Base Directory Specification 0.8: $XDG_DATA_HOME [from memory].
        assert place_of().path == tmp_path / "data" / "taptest" / "logbook.sqlite"
    assert place_of("a/b.sqlite").sounds == Path("a/b-sounds")
    assert place_of("sqlite:///a.db").path == Path("a.db") and place_of("sqlite:////a.db").path == Path("/a.db")
    monkeypatch.setenv("TAPTEST_LOGBOOK", "c.sqlite")
    assert place_of().path == Path("c.sqlite") and place_of("d.sqlite").path == Path("d.sqlite")
    assert place_of("postgresql://me@h:5433/db?sslmode=require").name == "postgresql://me@h:5433/db"
    with pytest.raises(LogbookError, match="is a folder"):
        place_of(tmp_path)


def test_a_name_of_a_station_is_one_printable_line(tmp_path):
    with open_logbook(tmp_path / "l.sqlite", station=" bench\n\x1b[31m 2 ") as book:
        assert book.station == "bench [31m 2" and book.operator is None
    with pytest.raises(LogbookError, match="the operator is"):
        open_logbook(tmp_path / "l.sqlite", operator="x" * 101)


def test_a_slip_in_a_column_is_no_silent_loss():
    with pytest.raises(KeyError, match="skis has no column ski"):
        stored_values(METADATA.tables["skis"], {"ski": "17L"})
