"""A logbook's database opened safely: write-ahead log, locks that lose nothing, the schema brought up to date.

SQLite. A transaction that begins with a read and then writes is refused when somebody else has written in between, whatever
the timeout, and its work is lost; so a writing transaction takes its lock at once (BEGIN IMMEDIATE) and others wait. The
write-ahead log lets readers go on meanwhile, but it is an index in memory that all processes share, which works on one
machine only: on a network drive the logbook falls back to the rollback journal. Every commit is forced to the disk
(synchronous = FULL; NORMAL may lose the last ones at a power cut).

PostgreSQL. Committed is on the disk there (synchronous_commit is left as the server has it, on). The schema is changed under an
advisory lock, so that of two stations one waits for the other.

Everything in which the two differ is in this module; whoever reads goes through `Database.read`, whoever writes through
`Database.write` and `insert_new`.
"""

from __future__ import annotations

import sqlite3
import sys
import threading
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import DBAPIError, OperationalError, SQLAlchemyError

from taptest.core.durable import sync_folder
from taptest.core.errors import LogbookError, LogbookUnreachable, shown
from taptest.core.version import VERSION
from taptest.logbook.place import Place
from taptest.logbook.schema import META, METADATA, below

if TYPE_CHECKING:
    from taptest.logbook.rows import Entry

T = TypeVar("T")

SOFTWARE = f"taptest {VERSION}"
READING = {"logbook_reading": True}

_BUSY_S = 60.0  # eight stations of one machine wait a second or two for each other; a minute is a hung one
SILENT_S = 3.0  # so long a server may leave a statement unanswered before a station goes on without it
# A server that has gone is noticed as soon, not after the two hours of the system's own keepalive.
_CONNECTION = {
    "connect_timeout": 3,
    "keepalives_idle": 1,
    "keepalives_interval": 1,
    "keepalives_count": 2,
    "tcp_user_timeout": 3000,
}
_FOR_NOW = ("starting up", "shutting down", "recovery mode", "connection slots", "too many")
_ATTEMPTS = 5
# Serialization failure, deadlock (PostgreSQL's appendix A [from memory]): the work is undone.
_AGAIN = ("40001", "40P01")
_MIGRATIONS = Path(__file__).parent / "migrations"
_LOCK = 0x7A97E57  # any number that no other program on that server is likely to use
# Types of file systems in /proc/self/mountinfo that other machines may write to as well.
_NETWORK = ("nfs", "cifs", "smb", "9p", "afs", "ceph", "gluster", "lustre", "fuse.sshfs", "fuse.glusterfs", "ncpfs")


class Database:
    """An open logbook's database; ``notes`` are what opening it had to tell."""

    def __init__(self, place: Place, *, create: bool, scratch: bool = False) -> None:
        """Open it with today's schema. A SQLite file is copied before its schema is changed.

        Args:
            place: where it is.
            create: make a new logbook where there is none; in a database of a server, the tables.
            scratch: for what is looked through and forgotten: without references that hold, and not forced to the disk.

        Raises:
            LogbookError: there is none and none is to be made, it cannot be opened, is no logbook, or is a newer program's.
        """
        self.place = place
        notes: list[str] = []
        with told(place):
            if place.path is None:
                self.engine = _server(place)
            else:
                self.engine = _file(place.path, notes, create=create, scratch=scratch)
            try:
                _bring_up_to_date(self.engine, place, notes, create=create)
            except BaseException:
                self.engine.dispose()
                raise
        self.notes = tuple(notes)

    def read(self, work: Callable[[Connection], T], *, snapshot: bool = False) -> T:
        """What a function reads; with ``snapshot`` as it was at one moment, whatever others enter meanwhile.

        Raises:
            LogbookError: it cannot be read.
        """
        options: dict[str, Any] = dict(READING)
        if snapshot and self.engine.dialect.name == "postgresql":
            options["isolation_level"] = "REPEATABLE READ"
        with told(self.place), self.engine.connect().execution_options(**options) as connection:
            return work(connection)

    def write(self, work: Callable[[Connection], T]) -> T:
        """Do all of it or nothing; what the database undid because two stations were in each other's way is done again.

        Raises:
            LogbookError: the database refuses; LogbookUnreachable where its server is gone.
        """
        with told(self.place):
            for attempt in range(1, _ATTEMPTS + 1):
                try:
                    with self.engine.begin() as connection:
                        return work(connection)
                except OperationalError as problem:
                    if attempt == _ATTEMPTS or getattr(problem.orig, "sqlstate", None) not in _AGAIN:
                        raise
        raise AssertionError("the last attempt returns or raises")


def insert_new(connection: Connection, entries: Iterable[Entry]) -> list[str]:
    """Enter what is not there yet; the ids of what was new. Rows below a row go in with it, or not at all."""
    insert = (postgresql if connection.dialect.name == "postgresql" else sqlite).insert
    by_table: dict[str, dict[str, Entry]] = {}
    for each in entries:
        by_table.setdefault(each.table.name, {})[each.id] = each
    fresh: list[str] = []
    for same in by_table.values():
        # In the order of their ids, so that two stations never wait for each other crosswise.
        for some in in_chunks([same[own] for own in sorted(same)]):
            table = some[0].table
            new = insert(table).values([each.row for each in some])
            new = new.on_conflict_do_nothing(index_elements=[table.c.id]).returning(table.c.id)
            entered = set(connection.scalars(new))
            fresh += entered
            for child, _ in below(table):
                rows = [row for each in some if each.id in entered for row in each.below.get(child.name, ())]
                if rows:
                    connection.execute(child.insert(), rows)
    return fresh


def in_chunks(wanted: Sequence[T], size: int = 200) -> Iterator[Sequence[T]]:
    """So many at a time; 200 rows of 60 columns are well below the 32,766 values that SQLite takes in one statement."""
    for start in range(0, len(wanted), size):
        yield wanted[start : start + size]


@contextmanager
def told(place: Place) -> Iterator[None]:
    """Whatever a database refuses, in words; never the statement, its values or the address."""
    Watch.beat()
    try:
        yield
    except DBAPIError as problem:
        raise _refused(place, str(problem.orig), lost=_is_lost(problem)) from problem
    except (sqlite3.Error, SQLAlchemyError) as problem:
        words = str(problem) if isinstance(problem, sqlite3.Error) else type(problem).__name__
        raise _refused(place, words, lost=False) from problem
    finally:
        Watch.beat(working=False)


class Watch:
    """For how long the database has kept the thread waiting that this is entered in; asked from another thread."""

    _of_thread = threading.local()

    def __init__(self) -> None:
        self._since: float | None = None

    def __enter__(self) -> Watch:
        Watch._of_thread.watch = self
        return self

    def __exit__(self, *_: object) -> None:
        Watch._of_thread.watch = None

    def silent_s(self) -> float:
        """Seconds since the last sign of life; 0 while the database has nothing to do."""
        since = self._since
        return 0.0 if since is None else time.monotonic() - since

    @staticmethod
    def beat(*_: object, working: bool = True) -> None:
        """A statement begins or ends; not ``working``: the database is done."""
        watch = getattr(Watch._of_thread, "watch", None)
        if watch is not None:
            watch._since = time.monotonic() if working else None


def _is_lost(problem: DBAPIError) -> bool:
    """Whether the server could not be reached or went away, rather than refused something."""
    if problem.connection_invalidated:
        return True
    if not isinstance(problem, OperationalError):
        return False
    state = getattr(problem.orig, "sqlstate", None)
    if state is not None:
        # Class 08: connection exception; 57P01 to 57P03: shut down, crashed, starting (PostgreSQL's appendix A [from memory]).
        return bool(state.startswith("08") or state in ("57P01", "57P02", "57P03"))
    # Of a connection that never came about there is only the text: FATAL is what a server says that did answer.
    text = str(problem.orig)
    return ("FATAL" not in text and "no password" not in text) or any(words in text for words in _FOR_NOW)


def _refused(place: Place, reason: str, *, lost: bool) -> LogbookError:
    what = shown(" ".join(reason.split()), 200)
    if place.path is None:
        if lost:
            return LogbookUnreachable(
                f"{place.name}: the logbook cannot be reached ({what}); check the network, the server and the password "
                "file (PGPASSFILE or ~/.pgpass)"
            )
        return LogbookError(
            f"{place.name}: the logbook refused ({what}); check that the database is there and what this user may do in it"
        )
    remedies = {
        "locked": f"another program has held it for {_BUSY_S:.0f} s; close that one and try again",
        "not a database": "it is no logbook; name another file",
        "malformed": "it is damaged; keep it, and go on with a backup of it",
        "readonly": "it may not be written; allow writing to it and to its folder",
        "unable to open": "make its folder, or allow writing there",
        "full": "make room on the disk",
        "disk I/O": "look at the disk",
    }
    remedy = next((words for mark, words in remedies.items() if mark in reason), "check the file and its folder")
    return LogbookError(f"{place.name}: the logbook cannot be used ({what}); {remedy}")


def _server(place: Place) -> Engine:
    try:
        import psycopg  # noqa: F401 (only to say what is missing)
    except ImportError:
        raise LogbookError(
            f"{place.name}: a logbook in PostgreSQL needs the extra 'postgres'; install taptest[postgres]"
        ) from None
    url = make_url(place.url).set(drivername="postgresql+psycopg")
    engine = create_engine(url, connect_args=_CONNECTION, pool_pre_ping=True, pool_size=2, hide_parameters=True)
    for name in ("before_cursor_execute", "after_cursor_execute", "commit"):
        event.listen(engine, name, Watch.beat)
    return engine


def _file(path: Path, notes: list[str], *, create: bool, scratch: bool) -> Engine:
    path = path.absolute()
    if not path.exists():
        if not create:
            raise LogbookError(
                f"{shown(path, 200)}: there is no logbook yet; 'taptest log add' or 'taptest check --log' makes one"
            )
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise LogbookError(
                f"{shown(path.parent, 200)}: cannot be made ({problem.strerror}); name another place for the logbook"
            ) from problem
    journal = "delete" if (network := network_drive(path)) else "wal"
    if network:
        notes.append(
            f"the logbook lies on a network drive ({network}): slower, and not for several machines at once; "
            "use PostgreSQL for those"
        )
    engine = create_engine(
        URL.create("sqlite", database=str(path)), connect_args={"timeout": _BUSY_S}, hide_parameters=True
    )

    @event.listens_for(engine, "connect")
    def connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # the driver begins no transaction by itself: the next function does
        _set_journal(connection, journal)
        connection.execute(f"PRAGMA foreign_keys = {'OFF' if scratch else 'ON'}")
        connection.execute(f"PRAGMA synchronous = {'OFF' if scratch else 'FULL'}")

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        reading = connection.get_execution_options().get("logbook_reading", False)
        connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")

    return engine


def _set_journal(connection: sqlite3.Connection, journal: str) -> None:
    """Change the journal, which several that open a new file at once may want; the timeout does not cover this."""
    end = time.monotonic() + _BUSY_S
    while True:
        try:
            if connection.execute("PRAGMA journal_mode").fetchone()[0] != journal:
                connection.execute(f"PRAGMA journal_mode = {journal}")
            return
        except sqlite3.OperationalError as problem:
            if "locked" not in str(problem) or time.monotonic() > end:
                raise
            time.sleep(0.02)


def network_drive(path: Path) -> str:
    """The type of the network file system that a path lies on, "" on a local disk or where the system does not say."""
    if not sys.platform.startswith("linux"):
        return ""
    try:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return _network_type(path.resolve(), mounts)


def _network_type(path: Path, mounts: str) -> str:
    """``mounts`` as in proc(5): fifth the mount point, after a lone hyphen the type."""
    found = (0, "")
    for line in mounts.splitlines():
        head, _, tail = line.partition(" - ")
        fields, kinds = head.split(), tail.split()
        if len(fields) < 5 or not kinds:
            continue
        point = Path(fields[4].replace("\\040", " "))
        if (path == point or point in path.parents) and len(point.parts) >= found[0]:
            found = (len(point.parts), kinds[0])
    return found[1] if found[1].startswith(_NETWORK) else ""


def schema_versions() -> tuple[str, ...]:
    """Every schema that this program knows, the oldest first."""
    return tuple(each.revision for each in reversed(list(_scripts().walk_revisions())))


def _scripts() -> ScriptDirectory:
    return ScriptDirectory(str(_MIGRATIONS))


def _bring_up_to_date(engine: Engine, place: Place, notes: list[str], *, create: bool) -> None:
    newest = schema_versions()[-1]
    with engine.connect().execution_options(**READING) as connection:
        if _schema_of(connection, place) == newest:
            return
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            end = time.monotonic() + _BUSY_S
            while not connection.scalar(text("SELECT pg_try_advisory_xact_lock(:lock)"), {"lock": _LOCK}):
                if time.monotonic() > end:
                    raise LogbookError(
                        f"{place.name}: another station has been changing it for {_BUSY_S:.0f} s; try again"
                    )
                time.sleep(0.05)
        before = _schema_of(connection, place)  # somebody else may have been quicker
        if before == newest:
            return
        if before is None and not create:
            raise LogbookError(f"{place.name}: holds no logbook yet; 'taptest log add' makes one")
        if before is not None and place.path is not None:
            notes.append(f"the logbook was brought up to date; as it was before: {_backup(place.path, before)}")
        if before is not None:
            _migrate(connection)
        else:
            METADATA.create_all(connection)
            MigrationContext.configure(connection).stamp(_scripts(), "head")
            now = datetime.now(UTC).isoformat(timespec="seconds")
            told_once = {"logbook": uuid.uuid4().hex, "made_utc": now, "software": SOFTWARE}
            connection.execute(META.insert(), [{"name": name, "value": value} for name, value in told_once.items()])


def _schema_of(connection: Connection, place: Place) -> str | None:
    """The schema in a database, None where it is empty.

    Raises:
        LogbookError: it holds something else, or what a newer program made.
    """
    found = MigrationContext.configure(connection).get_current_revision()
    if found is None:
        if inspect(connection).has_table("meta") or (place.path is not None and inspect(connection).get_table_names()):
            raise LogbookError(f"{place.name}: is a database, but no logbook; name another one")
        return None
    known = schema_versions()
    if found not in known:
        raise LogbookError(
            f"{place.name}: the logbook has schema {shown(found, 20)}, which a newer program made; {SOFTWARE} knows up to "
            f"{known[-1]}: install the newest taptest"
        )
    return found


def _migrate(connection: Connection) -> None:
    scripts = _scripts()

    def steps(revision: Any, _context: Any) -> Any:
        return scripts._upgrade_revs("head", revision)  # as alembic's documentation of EnvironmentContext has it

    with EnvironmentContext(Config(), scripts, fn=steps) as environment:
        environment.configure(connection=connection)
        environment.run_migrations()


def _backup(path: Path, schema: str) -> str:
    """Copy a database that somebody may be reading and writing; its name."""
    target = path.with_name(f"{path.name}.schema-{schema}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.backup")
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
    sync_folder(path.absolute().parent)
    return shown(target.name, 200)
