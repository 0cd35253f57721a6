"""Looking through a logbook and joining two: what is damaged is found, what can be is mended, nothing is lost or doubled."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from contextlib import closing
from datetime import timedelta

import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from support.logbook_results import add, day, heard, sound

from taptest.core.errors import LogbookError
from taptest.io.recording import read_recording
from taptest.logbook.book import open_logbook
from taptest.logbook.engine import Database
from taptest.logbook.merge import merge_logbooks
from taptest.logbook.rows import core_of, entries
from taptest.logbook.schema import METADATA
from taptest.logbook.sounds import store_sound
from taptest.logbook.verify import SET_ASIDE, verify_logbook


def contents(book):
    """What a logbook holds, whoever entered it: ids, or where they may differ what a row says, as often as it is said."""

    def ask(connection):
        found = {}
        for name, table in METADATA.tables.items():
            if "id" in table.columns:
                rows = entries(connection, table, list(connection.scalars(select(table.c.id))))
                found[name] = sorted(core_of(each) or each.id for each in rows)
        return found

    return {**book.database.read(ask), "sounds": sorted(p.name for p in book.place.sounds.rglob("*") if p.is_file())}


def rows(book):
    return book.database.read(
        lambda c: {n: sorted(map(repr, c.execute(select(t)))) for n, t in METADATA.tables.items()}
    )


def the_files(folder):
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path / "l.sqlite", station="bench 1") as opened:
        add(opened, "17L", sound(tmp_path, "a.flac", 200.0), at=day(1))
        add(opened, "17R", sound(tmp_path, "b.flac", 300.0), at=day(1), word="outlier")
        opened.add_analysis(read_recording(tmp_path / "a.flac"), heard(), ski_id="17L")
        yield opened


def age(book):
    """Nobody is at work on any of it."""
    for path in book.place.sounds.rglob("*"):
        os.utime(path, (time.time() - 3600,) * 2)


def kept(book):
    return sorted(p for p in book.place.sounds.rglob("*") if p.is_file() and SET_ASIDE not in p.parts)


# --- verify --------------------------------------------------------------------------------------------------------


def test_a_whole_logbook_is_sound_and_is_not_touched(book):
    before, files = rows(book), the_files(book.place.sounds)
    found = verify_logbook(book)
    assert (found.ok, found.mended, found.notes, found.sounds) == (True, (), (), 2)
    counted = {name: len(each) for name, each in before.items() if name not in ("meta", "alembic_version")}
    assert found.rows == sum(counted.values())
    assert rows(book) == before and the_files(book.place.sounds) == files


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE verdicts SET mass_kg = mass_kg + 0.001",
        "UPDATE verdicts SET verdict = 'pass'",
        "UPDATE placed_modes SET frequency_hz = frequency_hz + 1e-9",
        "UPDATE recordings SET file_name = 'other.flac'",
        "UPDATE checks SET notes_json = '[\"x\"]'",
        "UPDATE taps SET onset = onset + 1",
        "UPDATE verdicts SET made_utc = '2026-93-01 10:00:00.000000'",
        "UPDATE verdicts SET reasons_json = 1e308",
        "UPDATE skis SET ski_id = '71L' WHERE ski_id = '17L'",
        "UPDATE skis SET folded = 'x'",
        "UPDATE stations SET name = 'bench 2'",
        "UPDATE analyses SET software = 'taptest 9'",
        "DELETE FROM modes",
        "DELETE FROM stations",
        "DELETE FROM skis",
        "DELETE FROM checks",
        "DELETE FROM verdict_recordings",
    ],
)
def test_every_kind_of_damage_in_the_rows_is_found(book, damage):
    with closing(sqlite3.connect(book.place.path)) as database:  # which knows nothing of references
        database.execute(damage)
        database.commit()
    found = verify_logbook(book)
    assert not found.ok
    # In its place: the table itself, or the row that what was lost belongs to.
    table = damage.split()[1 if damage.startswith("UPDATE") else 2]
    owner = {"placed_modes": "verdicts", "verdict_recordings": "verdicts", "taps": "analyses", "modes": "analyses"}
    assert owner.get(table, table) in {each.where for each in found.faults}


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("measured_utc", "'2026-93-01 10:00:00.000000'"),
        ("mass_kg", "'heavy'"),
        ("reasons_json", "1e308"),
        ("reasons_json", "'[1]'"),
        ("taps_good", "'five'"),
    ],
)
def test_a_damaged_value_is_named_and_costs_its_own_row_only(book, tmp_path, column, value):
    add(book, "17R", sound(tmp_path, "c.flac", 400.0), at=day(3))
    with closing(sqlite3.connect(book.place.path)) as database:
        where = "id = (SELECT id FROM verdicts ORDER BY measured_utc DESC LIMIT 1)"
        (own,) = database.execute(f"SELECT id FROM verdicts WHERE {where}").fetchone()
        database.execute(f"UPDATE verdicts SET {column} = {value} WHERE {where}")
        database.commit()
    assert [point.verdict.verdict for point in book.history("17R").points] == ["outlier"]
    assert book.ski("17R").last.verdict == "outlier" and book.ski("17L").last.verdict == "pass"
    assert "17L" in {each.ski_id for each in book.skis()[0]}
    (told,) = book.notes
    assert told.startswith(f"verdicts {own[:12]}") and f"column {column}: '" in told
    assert [each.where for each in verify_logbook(book).faults] == ["verdicts"]


def test_a_lost_or_damaged_sound_is_put_back_from_wherever_it_is_and_nothing_is_deleted(book, tmp_path):
    first, second = kept(book)
    lost, damaged = first.read_bytes(), second.read_bytes()
    first.unlink()
    samples, rate = soundfile.read(second)
    soundfile.write(second, samples[::-1], rate, subtype="PCM_24")
    wrong = second.read_bytes()
    found = verify_logbook(book)
    assert [each.where for each in found.faults] == ["sounds"] * 2 and found.mended == ()
    assert sorted("missing" in each.told for each in found.faults) == [False, True]
    elsewhere = tmp_path / "archive" / "deep"
    elsewhere.mkdir(parents=True)
    for name in ("a", "b"):  # other files of the same sounds, among others
        samples, rate = soundfile.read(tmp_path / f"{name}.flac")
        soundfile.write(elsewhere / f"old-{name}.wav", samples, rate, subtype="PCM_24")
    (elsewhere / "text.txt").write_text("no sound")
    (elsewhere / "broken.wav").write_bytes(b"RIFF")
    look = verify_logbook(book, search=[tmp_path / "archive"], mend=False)
    assert not look.ok and kept(book) == [second]
    mended = verify_logbook(book, search=[tmp_path / "archive"])
    assert mended.ok and len(mended.mended) == 3
    assert [path.read_bytes() for path in (first, second)] == [lost, damaged]
    (aside,) = (book.place.sounds / SET_ASIDE).iterdir()
    assert aside.read_bytes() == wrong
    assert verify_logbook(book).mended == ()


def test_what_a_killed_writer_left_gets_its_row_or_is_set_aside(book, tmp_path):
    orphan = store_sound(book.place.sounds, read_recording(sound(tmp_path, "c.flac", 400.0)))
    torn = book.place.sounds / "ab" / ".taptest-1x2y3z"
    torn.parent.mkdir(exist_ok=True)
    torn.write_bytes(b"fLaC half of it")
    whole = torn.with_name(".taptest-other")
    shutil.copy(sound(tmp_path, "d.flac", 500.0), whole)
    assert verify_logbook(book).mended == ()  # a minute has not gone by: somebody may be at work
    age(book)
    look = verify_logbook(book, mend=False)
    assert look.ok and len(look.notes) == 3 and torn.exists()
    found = verify_logbook(book)
    assert found.ok and found.sounds == 4 and not torn.exists() and not whole.exists()
    assert {p.read_bytes() for p in (book.place.sounds / SET_ASIDE).iterdir()} >= {b"fLaC half of it"}
    ids = book.database.read(lambda c: set(c.scalars(select(METADATA.tables["recordings"].c.id))))
    assert orphan.sha256 in ids and len(ids) == 4
    assert verify_logbook(book).mended == ()


def test_a_row_that_was_lost_comes_back_with_its_sound(book):
    with closing(sqlite3.connect(book.place.path)) as database:
        database.execute("DELETE FROM recordings")
        database.commit()
    age(book)
    found = verify_logbook(book)
    assert found.ok and len(found.mended) == 2 and len(book.ski("17L").recordings) == 1


def test_a_folder_that_is_not_there_is_named(book):
    with pytest.raises(LogbookError, match="no such folder"):
        verify_logbook(book, search=["nowhere"])


# --- merge ---------------------------------------------------------------------------------------------------------


def test_a_laptop_goes_into_the_shop_and_back(tmp_path):
    with open_logbook(tmp_path / "a.sqlite", station="A") as a, open_logbook(tmp_path / "b.sqlite", station="B") as b:
        add(a, "17L", sound(tmp_path, "x.flac", 200.0), at=day(1))
        add(b, "17L", sound(tmp_path, "y.flac", 300.0), at=day(9), factor=0.97)
        add(b, "18L", sound(tmp_path, "z.flac", 400.0), at=day(2))
        before = rows(a)
        done = merge_logbooks(b, a)
        assert (done.entered["verdicts"], done.sounds_copied, done.conflicts, done.left_out) == (1, 1, (), ())
        assert rows(a) == before  # the other one is only read
        history = b.history("17L").points
        assert [each.verdict.measured for each in history] == [day(1), day(9)] and history[1].tone.exceeds
        assert merge_logbooks(a, b).entered["verdicts"] == 2
        assert contents(a) == contents(b)
        assert not merge_logbooks(a, b).anything_new and not merge_logbooks(b, a).anything_new
        assert verify_logbook(a).ok and verify_logbook(b).ok
        with pytest.raises(LogbookError, match="would be merged into"):
            merge_logbooks(a, a)


def test_what_the_two_do_not_agree_on_is_named_and_both_are_kept(tmp_path):
    with open_logbook(tmp_path / "a.sqlite", station="A") as a, open_logbook(tmp_path / "b.sqlite", station="B") as b:
        same = sound(tmp_path, "x.flac", 200.0)
        add(a, "17L", same, at=day(1))
        add(b, "17L", same, at=day(1), damping=0.02)  # the same check, which heard something else
        add(a, "18L", sound(tmp_path, "y.flac", 300.0), at=day(1), mass_kg=0.612)
        add(b, "18L", sound(tmp_path, "z.flac", 400.0), at=day(2))
        add(a, "19L", sound(tmp_path, "v.flac", 600.0), at=day(1), mass_kg=0.540)  # the next gram is no conflict
        add(b, "19L", sound(tmp_path, "w.flac", 700.0), at=day(2))
        done = merge_logbooks(b, a)
        kinds = [(each.where, each.told.partition(":")[0]) for each in done.conflicts]
        assert kinds == [("verdict", "ski 17L"), ("ski", "ski 18L")]
        assert "mass 539 g here and 612 g there" in done.conflicts[1].told
        both = b.history("17L", superseded=True).points
        assert sorted(each.verdict.modes[0].damping_ratio for each in both) == [0.01, 0.02]
        assert len(b.history("17L").points) == 1  # one measurement, whichever was judged last
        merge_logbooks(a, b)
        assert contents(a) == contents(b)
        assert verify_logbook(a).ok and verify_logbook(b).ok


def test_the_same_analysed_on_two_computers_is_no_conflict(tmp_path):
    with open_logbook(tmp_path / "a.sqlite", station="A") as a, open_logbook(tmp_path / "b.sqlite", station="B") as b:
        same = sound(tmp_path)
        add(a, "17L", same, at=day(1))
        add(b, "17L", same, at=day(1), factor=1 + 1e-13)
        assert merge_logbooks(b, a).conflicts == () and len(b.history("17L", superseded=True).points) == 1


def test_a_damaged_row_and_a_lost_sound_do_not_stop_the_rest(tmp_path):
    with open_logbook(tmp_path / "a.sqlite") as a, open_logbook(tmp_path / "b.sqlite") as b:
        for number, name in enumerate(("17L", "18L", "19L")):
            add(a, name, sound(tmp_path, f"{name}.flac", 200.0 + 100 * number), at=day(1))
        with closing(sqlite3.connect(a.place.path)) as database:
            database.execute("UPDATE verdicts SET mass_kg = 9 WHERE ski = (SELECT id FROM skis WHERE ski_id = '18L')")
            database.commit()
        lost = next(a.place.sounds / each.file for each in a.ski("19L").recordings)
        lost.write_bytes(b"fLaC")
        done = merge_logbooks(b, a)
        file, row = done.left_out
        assert "is damaged and was left out" in row and file.startswith(str(lost))
        assert done.sounds_missing == (f"{lost.parent.name}/{lost.name}",)
        assert {each.ski_id for each in b.skis()[0]} == {"17L", "19L"}
        found = verify_logbook(b, search=[tmp_path])
        assert found.ok and len(found.mended) == 1


def test_an_interrupted_merge_is_finished_by_the_next_one(tmp_path, monkeypatch):
    with open_logbook(tmp_path / "a.sqlite", station="A") as a, open_logbook(tmp_path / "once.sqlite") as once:
        for number in range(2):
            path = sound(tmp_path, f"{number}.flac", 200.0 + 100 * number)
            add(a, f"{number}L", path, at=day(1))
            a.add_analysis(read_recording(path), heard(), ski_id=f"{number}L")
            add(a, f"{number}L", path, at=day(1), word="outlier")  # which supersedes the first
        merge_logbooks(once, a)
        whole = contents(once)
        real, steps = Database.write, 0
        for stop in range(1, 100):
            with open_logbook(tmp_path / f"{stop}.sqlite") as b:
                left = iter(range(stop))

                def until(*arguments, left=left):
                    if next(left, None) is None:
                        raise KeyboardInterrupt
                    return real(*arguments)

                monkeypatch.setattr(Database, "write", until)
                try:
                    merge_logbooks(b, a)
                except KeyboardInterrupt:
                    steps += 1
                    assert verify_logbook(b).ok
                    monkeypatch.setattr(Database, "write", real)
                    merge_logbooks(b, a)
                    assert contents(b) == whole
                else:
                    break
        assert steps > 5


# A ski, one of a few sounds, what was said of it, and when: few enough that logbooks often have the same.
ENTRIES = st.lists(
    st.tuples(
        st.sampled_from(["1L", "1R"]),
        st.integers(0, 1),
        st.sampled_from(["pass", "outlier"]),
        st.sampled_from([0.01, 0.02]),
        st.sampled_from([0.539, 0.6]),
        st.integers(1, 2),
    ),
    max_size=4,
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Two sounds, and an empty logbook to begin with, as making one costs more than all the rest."""
    folder = tmp_path_factory.mktemp("bench")
    sounds = [sound(folder, f"{number}.flac", 200.0 + 100 * number, seconds=0.12) for number in range(2)]
    open_logbook(folder / "empty.sqlite").close()
    return folder, sounds


@pytest.mark.slow
@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(given=st.tuples(ENTRIES, ENTRIES, ENTRIES))
def test_in_whatever_order_logbooks_are_joined_they_hold_the_same(bench, tmp_path_factory, given):
    folder, sounds = bench
    work = tmp_path_factory.mktemp("merge")

    def a_book(name):
        shutil.copy(folder / "empty.sqlite", work / f"{name}.sqlite")
        return open_logbook(work / f"{name}.sqlite", station=name)

    def joined(name, *others):
        book = a_book(name)
        for other in others:
            merge_logbooks(book, other)
        return book

    books = [a_book(name) for name in "ABC"]
    for book, several in zip(books, given, strict=True):
        for ski, number, word, damping, mass_kg, when in several:
            add(book, ski, sounds[number], at=day(when), word=word, damping=damping, mass_kg=mass_kg)
    a, b, c = books
    alone = contents(a)
    copy = joined("copy", a, a)
    one, other = joined("one", a, b, c), joined("other", c, b, a)
    inner = joined("inner", b, c)
    nested = joined("nested", a, inner, one, other)
    assert contents(copy) == alone  # idempotent, and nothing is added by going through another logbook
    wanted = contents(one)
    assert contents(other) == wanted and contents(nested) == wanted  # commutative, associative
    for book in (a, b):
        merge_logbooks(book, one)
        merge_logbooks(book, other)
        if book is a:
            assert contents(a) == wanted
    # Nothing of what went in is missing.
    for name, every in wanted.items():
        assert set(every) >= set(alone[name])
    assert verify_logbook(nested).ok
    for book in (*books, copy, one, other, inner, nested):
        book.close()


def test_the_comparison_sees_what_it_should(tmp_path):
    with open_logbook(tmp_path / "a.sqlite") as a, open_logbook(tmp_path / "b.sqlite") as b:
        same = sound(tmp_path)
        add(a, "1L", same, at=day(1))
        add(b, "1L", same, at=day(1) + timedelta(hours=1))
        assert contents(a)["verdicts"] != contents(b)["verdicts"]
