"""File names from whatever is written on a ski."""

from __future__ import annotations

import hashlib
import re
import unicodedata

_LONGEST = 60
_RESERVED = re.compile(r"(?i:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?")


def safe_name(ski_id: str) -> str:
    """An id as a file name that every system takes: ASCII letters, digits, ``.``, ``_`` and ``-``, at most 69 characters.

    What has to be changed for that is marked by eight digits of the id's hash, so that two ids never share a name.

    >>> safe_name("17L"), safe_name("Schöne 1/2"), safe_name("nul")
    ('17L', 'Schone_1_2-d092c912', '_nul-99e62427')
    """
    plain = unicodedata.normalize("NFKD", ski_id).encode("ascii", "ignore").decode("ascii")
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", plain)[:_LONGEST].strip("._-") or "ski"
    if _RESERVED.fullmatch(name):
        name = f"_{name}"
    return name if name == ski_id else f"{name}-{digest(ski_id)}"


def digest(ski_id: str) -> str:
    """Eight hexadecimal digits that tell ids apart whose names do not."""
    return hashlib.sha256(ski_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
