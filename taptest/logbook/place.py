"""Where a logbook is: a file on this machine, or a database that several stations share."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

from taptest.core.errors import LogbookError, shown

LOGBOOK_VARIABLE = "TAPTEST_LOGBOOK"
SOUNDS_VARIABLE = "TAPTEST_SOUNDS"
FILE = "logbook.sqlite"

_SERVER = ("postgresql", "postgres", "postgresql+psycopg")
_NO_PASSWORD = (
    "the logbook's address holds a password, which would end up in lists of processes and in histories; leave it out and "
    "put it into the file that PGPASSFILE names (or ~/.pgpass), or into PGPASSWORD"
)
_PATH_CHARACTERS = 200


@dataclass(frozen=True)
class Place:
    """A SQLite file (``path``) or a PostgreSQL database (``url``, never with a password); sounds lie in a folder of files.

    ``name`` is what may be shown: of a database user, host and name alone.
    """

    path: Path | None
    url: str
    sounds: Path
    name: str


def place_of(where: str | Path | None = None) -> Place:
    """Where the logbook is: as given, else ``$TAPTEST_LOGBOOK``, else in the folder that the system has for user data.

    Sounds lie beside a SQLite file, in ``NAME-sounds``; of a database, where ``$TAPTEST_SOUNDS`` says or with the user's data.

    Raises:
        LogbookError: an address of another kind, or with a password in it, or a folder.
    """
    text = str(where or os.environ.get(LOGBOOK_VARIABLE) or "")
    if not text:
        return _file(_user_data() / FILE)
    if re.search(r"\bpassword\s*=", text, re.IGNORECASE):
        raise LogbookError(_NO_PASSWORD)
    scheme, mark, rest = text.partition("://")
    if not mark:
        return _file(Path(text))
    if scheme == "sqlite":
        return _file(Path(rest[1:] if rest.startswith("/") else rest))
    if scheme not in _SERVER:
        raise LogbookError(
            f"a logbook at {shown(scheme, 20)}:// is not known; name a file, or postgresql://USER@HOST/DATABASE"
        )
    return _database(f"postgresql://{rest}")


def waiting_place(server: Place) -> Place:
    """Where a station keeps, on its own disk, what a server's logbook could not take."""
    # Not by its name alone, which may be shown: that leaves out what tells two databases apart.
    mark = hashlib.sha256(server.url.encode("utf-8", "surrogateescape")).hexdigest()[:8]
    return _file(_user_data() / f"waiting-{mark}.sqlite")


def _file(path: Path) -> Place:
    if path.is_dir():
        raise LogbookError(f"{shown(path, _PATH_CHARACTERS)}: is a folder; name the file, such as {FILE} in it")
    return Place(path, "", path.with_name(f"{path.stem}-sounds"), shown(path, _PATH_CHARACTERS))


def _database(url: str) -> Place:
    # No message shows the address itself: what stands in a wrong place may be a password.
    try:
        parts = urlsplit(url)
        secret = parts.password is not None or any("password" in key.casefold() for key, _ in parse_qsl(parts.query))
        host = f"{parts.hostname or 'local'}:{parts.port}" if parts.port else parts.hostname or "local"
    except ValueError:
        raise LogbookError(
            "the logbook's address cannot be understood; write postgresql://USER@HOST:PORT/DATABASE, without a password"
        ) from None
    if secret:
        raise LogbookError(_NO_PASSWORD)
    if parts.netloc.count("@") > 1 or parts.fragment:
        raise LogbookError(
            "the logbook's address has an @ or a # too many; write them as %40 and %23 where they belong to a name"
        )
    database = parts.path.strip("/")
    user = f"{parts.username}@" if parts.username else ""
    sounds = Path(os.environ[SOUNDS_VARIABLE]) if os.environ.get(SOUNDS_VARIABLE) else _user_data() / "sounds"
    return Place(None, url, sounds, shown(f"postgresql://{user}{host}/{database}", _PATH_CHARACTERS))


def _user_data() -> Path:
    import platformdirs  # late: only where no logbook is named

    return Path(platformdirs.user_data_dir("taptest", appauthor=False))
