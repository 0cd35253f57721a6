"""Small text files of a person's own making, read so that neither a pipe nor a made-up monster stops the program."""

from __future__ import annotations

import errno
import re
import tomllib
from pathlib import Path
from typing import Any

# Begins at the beginning of a word only, so that the search stays linear.
_LONG_KEY = re.compile(r"""(?<![\w"'-])(?:[\w"'-]+[ \t]*\.[ \t]*){50}""")


def read_regular(path: Path) -> str:
    """The text of a regular file, UTF-8 with or without a byte order mark.

    Raises:
        OSError: it cannot be read, or is a pipe or a device, which might never end.
        UnicodeDecodeError: it is not UTF-8.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        raise OSError(errno.EINVAL, "it is a pipe or a device; save it as a file")
    return path.read_text(encoding="utf-8-sig")


def parse_toml(text: str) -> dict[str, Any]:
    """The document in a TOML text.

    Raises:
        ValueError: it is no TOML, or holds a key of 50 parts and more, each of which takes the parser as long as all before it.
        RecursionError: it is nested too deeply.
    """
    if _LONG_KEY.search(text):
        raise ValueError("a key of 50 parts or more")
    return tomllib.loads(text)
