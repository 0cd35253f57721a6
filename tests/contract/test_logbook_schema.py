"""Schemas of the logbook: what an older program wrote is read, what a newer one wrote is refused, nothing is lost."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from support.logbook_results import add, day, sound
from support.postgres_server import postgres_server

from taptest.core.errors import LogbookError
from taptest.logbook import engine as engine_module
from taptest.logbook.book import open_logbook
from taptest.logbook.schema import METADATA

KEPT = Path(__file__).parent / "logbooks"  # one dump of every released schema, with what is in it below

_NEXT = """
import sqlalchemy as sa
from alembic import op
revision, down_revision = "0002", "0001"
def upgrade():
    op.add_column("verdicts", sa.Column("weather", sa.Text))
"""


def restored(dump, path):
    with closing(sqlite3.connect(path)) as database:
        database.executescript(dump.read_text(encoding="utf-8"))
    return path


def a_next_schema(folder, monkeypatch):
    shutil.copytree(engine_module._MIGRATIONS, folder / "migrations", ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "migrations" / "versions" / "v0002_next.py").write_text(_NEXT, encoding="utf-8")
    monkeypatch.setattr(engine_module, "_MIGRATIONS", folder / "migrations")


def unlike_the_program(book):
    """In what the tables of a logbook differ from those that the program works with."""
    with book.engine.connect() as connection:
        return compare_metadata(MigrationContext.configure(connection, opts={"compare_type": True}), METADATA)


@pytest.mark.parametrize("schema", engine_module.schema_versions())
def test_a_logbook_of_every_schema_opens_in_this_one(schema, tmp_path):
    with open_logbook(restored(KEPT / f"schema_{schema}.sql", tmp_path / "old.sqlite")) as book:
        assert unlike_the_program(book) == []
        skis, _ = book.skis()
        assert [(each.ski_id, each.verdict, each.measured) for each in skis] == [
            ("17R", "outlier", day(3)),
            ("17L", "pass", day(1)),
        ]
        first, second = book.history("17R").points
        assert second.tone.percent == pytest.approx(-2.0, abs=1e-6) and second.tone.exceeds
        assert first.verdict.modes[0].frequency_hz == 66.3
        assert book.notes == ()


def test_a_new_logbook_has_the_tables_that_the_program_works_with(tmp_path):
    with postgres_server() as server:
        for where in (tmp_path / "l.sqlite", server.new_database()):
            with open_logbook(where) as book:
                assert unlike_the_program(book) == []
                with book.engine.begin() as connection:  # control: another column is noticed
                    connection.exec_driver_sql("ALTER TABLE skis ADD COLUMN weather TEXT")
                assert [each[0] for each in unlike_the_program(book)] == ["remove_column"]


def test_a_copy_is_kept_before_the_schema_changes(tmp_path, monkeypatch):
    path = tmp_path / "l.sqlite"
    with open_logbook(path) as book:
        add(book, "17L", sound(tmp_path), at=day(1))
    a_next_schema(tmp_path, monkeypatch)
    with open_logbook(path) as book:
        (note,) = book.notes
        assert book.ski("17L").last.verdict == "pass"
    (copy,) = tmp_path.glob("*.backup")
    assert copy.name in note and copy.name.startswith("l.sqlite.schema-0001-")
    with closing(sqlite3.connect(copy)) as before, closing(sqlite3.connect(path)) as after:
        (old,), (new,) = (d.execute("SELECT version_num FROM alembic_version").fetchone() for d in (before, after))
        assert (old, new) == ("0001", "0002")
        assert before.execute("SELECT count(*) FROM verdicts").fetchone() == (1,)
        columns = [[each[1] for each in d.execute("PRAGMA table_info(verdicts)")] for d in (before, after)]
        assert set(columns[1]) - set(columns[0]) == {"weather"}
    with open_logbook(path) as book:  # the second time there is nothing to do
        assert book.notes == () and len(list(tmp_path.glob("*.backup"))) == 1


def test_a_migration_that_fails_leaves_the_logbook_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "l.sqlite"
    with open_logbook(path) as book:
        add(book, "17L", sound(tmp_path), at=day(1))
    a_next_schema(tmp_path, monkeypatch)
    broken = tmp_path / "migrations" / "versions" / "v0002_next.py"
    broken.write_text(f"{_NEXT}    op.add_column('nowhere', sa.Column('x', sa.Text))\n", encoding="utf-8")
    with pytest.raises(LogbookError):
        open_logbook(path)
    monkeypatch.undo()
    with open_logbook(path) as book:
        assert book.ski("17L").last.verdict == "pass" and book.notes == ()


def test_a_newer_logbook_is_refused_and_untouched(tmp_path, monkeypatch):
    path = tmp_path / "l.sqlite"
    with monkeypatch.context() as patch:
        a_next_schema(tmp_path, patch)
        open_logbook(path).close()
    before = path.read_bytes()
    with pytest.raises(LogbookError, match=r"has schema 0002, which a newer program made; taptest .* knows up to 0001"):
        open_logbook(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"ski_id,mass_g\n17L,520\n" * 50, "it is no logbook"),
        (b"SQLite format 3\0" + bytes(5000), "the logbook cannot be used"),
    ],
)
def test_what_is_no_logbook_is_refused_and_untouched(content, told, tmp_path):
    path = tmp_path / "lot.csv"
    path.write_bytes(content)
    with pytest.raises(LogbookError, match=told):
        open_logbook(path)
    assert path.read_bytes() == content


def test_a_database_of_another_program_is_refused(tmp_path):
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE guests (name TEXT)")
    with pytest.raises(LogbookError, match="is a database, but no logbook"):
        open_logbook(path)


def test_a_logbook_that_is_only_read_is_not_made(tmp_path):
    with pytest.raises(LogbookError, match="there is no logbook yet"):
        open_logbook(tmp_path / "typo.sqlite", create=False)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_named(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(LogbookError, match="allow writing"):
        open_logbook(tmp_path / "l.sqlite")


def test_every_commit_is_forced_to_the_disk_and_references_hold(tmp_path):
    with open_logbook(tmp_path / "l.sqlite") as book, book.engine.connect() as connection:
        settings = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}  # 2: FULL (sqlite.org/pragma.html)


def test_on_a_network_drive_it_falls_back_and_says_why(tmp_path, monkeypatch):
    monkeypatch.setattr(engine_module, "network_drive", lambda path: "nfs4")
    with open_logbook(tmp_path / "l.sqlite") as book, book.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "delete"
        assert "network drive (nfs4)" in book.notes[0]


def test_a_network_drive_is_told_by_the_mount_that_holds_the_path():
    # Lines after the example in proc_pid_mountinfo(5): the fifth field is the mount point, the type follows the hyphen.
    mounts = (
        "36 35 98:0 / / rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
        "37 36 0:40 / /srv rw - nfs4 host:/srv rw\n"
        "38 37 98:1 / /srv/local rw - ext4 /dev/sda1 rw\n"
        "39 36 0:41 / /my\\040share rw shared:2 - cifs //host/share rw\n"
    )
    found = {
        path: engine_module._network_type(Path(path), mounts)
        for path in ("/home/l", "/srv/l", "/srv/local/l", "/my share/l", "/srvx/l")
    }
    assert found == {"/home/l": "", "/srv/l": "nfs4", "/srv/local/l": "", "/my share/l": "cifs", "/srvx/l": ""}
