"""One reader for every TOML and JSON file: a regular file of a bounded size, decoded and checked against a declared structure.

A structure is a `msgspec.Struct` (frozen, ``forbid_unknown_fields=True``) whose fields are annotated with what they accept:
``Annotated[float, within(0.5, 200.0)]``, ``Annotated[str, text(80)]``, ``Annotated[tuple[...], listed(1, 401)]``. Whatever does
not fit is refused with the file, the key, what was found and what is accepted, as the error class of whoever reads.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar

import msgspec
from msgspec import Meta, inspect

from taptest.core.errors import TaptestError, shown

T = TypeVar("T")

# Begins at the beginning of a word only, so that the search stays linear.
_LONG_KEY = re.compile(r"""(?<![\w"'-])(?:[\w"'-]+[ \t]*\.[ \t]*){50}""")
_CONTROL = (
    r"\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029"  # escape sequences would reach the terminal through a table
)
_STEP = re.compile(r"\.([^.\[]+)|\[(\d+)\]")
_FOUND_CHARACTERS = 60
_LISTS = (inspect.ListType, inspect.VarTupleType)
_NUMBERS = "must be a list of numbers, written [0.1, 0.2]"


def within(least: float, most: float) -> Meta:
    """A number from ``least`` to ``most``; NaN and infinity never are."""
    return Meta(ge=least, le=most)


def text(most: int, *, lines: bool = False, empty: bool = False) -> Meta:
    """A text of at most so many characters, without control characters; on one line, and not empty, unless said otherwise."""
    allowed = rf"[^{_CONTROL}]*" if lines else rf"[^{_CONTROL}\n\r\t]*"
    rule = "must be a text that holds no control characters" + ("" if empty else " and is not empty")
    start = "^" if empty else r"^(?=[\s\S]*\S)"
    return Meta(max_length=most, pattern=start + allowed + r"\Z", extra_json_schema={"rule": rule})


def listed(least: int, most: int) -> Meta:
    """A list of ``least`` to ``most`` values."""
    return Meta(min_length=least, max_length=most)


@dataclass(frozen=True)
class DocumentFormat(Generic[T]):
    """A kind of file.

    Attributes:
        called: what messages call it, such as "construction file".
        structure: the `msgspec.Struct` (or other type that msgspec knows) that a document must fit.
        error: class of what is raised.
        most_bytes: largest file that is read.
        syntax: "TOML" or "JSON".
        remedy: what to do about a bad file; ends every message where it is given.
    """

    called: str
    structure: type[T]
    error: type[TaptestError]
    most_bytes: int
    syntax: Literal["TOML", "JSON"] = "TOML"
    remedy: str = ""

    def read(self, path: Path) -> T:
        """The document in a file.

        Raises:
            TaptestError: (of class `error`) the file cannot be read, is a pipe or a device, too large, not UTF-8 or of another
                syntax, or its document does not fit the structure.
        """
        name = shown(path, 200)
        return self.validated(self.decoded(self._text(path, name), name), name)

    def decoded(self, text: str, name: str) -> Any:
        """What a text holds, not validated.

        Raises:
            TaptestError: it is not of the syntax, or made to keep the decoder busy.
        """
        try:
            if self.syntax == "JSON":
                return json.loads(text, parse_constant=_no_constant)
            if _LONG_KEY.search(text):  # each part takes the parser as long as all before it
                raise ValueError("a key of 50 parts or more")
            return tomllib.loads(text)
        except (ValueError, RecursionError) as problem:
            # A number of thousands of digits is a plain ValueError, which a syntax error of either is too.
            raise self.refusal(f"{name}: not valid {self.syntax}: {shown(problem, 120)}") from problem

    def validated(self, document: object, name: str) -> T:
        """A decoded document as an object of the structure.

        Raises:
            TaptestError: it does not fit; the message begins with ``name``.
        """
        try:
            return msgspec.convert(document, self.structure)
        except msgspec.ValidationError as problem:
            raise self._explained(str(problem), document, name) from None

    def fault(self, name: str, key: str, found: object, rule: str) -> TaptestError:
        """The error for a value that only more than its type can tell to be wrong; ``rule`` goes on after "it"."""
        what = found if isinstance(found, _Words) else f"is {_quoted(found)}"
        return self.refusal(f"{name}: {key} {what}; it {rule}")

    def refusal(self, text: str) -> TaptestError:
        """The error with this text, and the remedy of the format behind it."""
        return self.error(f"{text}; {self.remedy}" if self.remedy else text)

    def _text(self, path: Path, name: str) -> str:
        try:
            if path.exists() and not path.is_file() and not path.is_dir():
                raise self.refusal(f"{name}: cannot be read (it is a pipe or a device; save it as a file)")
            with path.open("rb") as stream:
                data = stream.read(self.most_bytes + 1)
        except OSError as problem:
            raise self.refusal(f"{name}: cannot be read ({problem.strerror or problem})") from problem
        if len(data) > self.most_bytes:
            size = f"{self.most_bytes // 1024} kB" if self.most_bytes < 1 << 20 else f"{self.most_bytes >> 20} MB"
            raise self.refusal(f"{name}: larger than {size}, which no {self.called} needs to be")
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError as problem:
            raise self.refusal(f"{name}: byte {problem.start} is not UTF-8; save the file as UTF-8") from problem

    def _explained(self, problem: str, document: object, name: str) -> TaptestError:
        """The message of msgspec ("Expected `float`, got `str` - at `$.size.length_mm`") in the words of the file."""
        what, _, where = problem.partition(" - at `$")
        kind: Any = inspect.type_info(self.structure)
        found, key = document, ""
        for step in _STEP.finditer(where.rstrip("`")):
            kind = _inside(kind, found, step)
            if step[1] is not None:
                key = f"{key}{' ' if key.endswith(',') else '.'}{step[1]}" if key else step[1]
                found = found[step[1]] if isinstance(found, dict) else None
            else:
                key = f"{key}, value {int(step[2]) + 1},"
                found = found[int(step[2])] if isinstance(found, list) else None
        if (missing := re.match(r"Object missing required field `(.+)`", what)) is not None:
            rule = _rule(_field(_chosen(kind, found), missing[1]), None, missing[1], self.syntax)[1]
            return self.refusal(f"{name}: {f'{key}.' if key else ''}{missing[1]} is missing; it {rule}")
        if (unknown := re.match(r"Object contains unknown field `(.*)`", what, re.DOTALL)) is not None:
            known = sorted(each.encode_name for each in _chosen(kind, found).fields)
            return self.refusal(f"{name}: {unknown_key(unknown[1], known, inside=key)}")
        instead, rule = _rule(kind, found, key, self.syntax)
        return self.fault(name, key or "the document", found if instead is None else instead, rule)


def unknown_key(key: str, known: Sequence[str], *, inside: str = "") -> str:
    """Says that a key is unknown, which one was meant perhaps, and which are known."""
    close = difflib.get_close_matches(key, known, n=1)
    hint = f" (did you mean {close[0]!r}?)" if close else ""
    where = f" in [{inside}]" if inside else ""
    return f"unknown key '{shown(key)}'{where}{hint}; known are {', '.join(known)}"


class _Words(str):
    """Says of a key what was found, such as "has 402 values", where quoting the value itself would help nobody."""


def counted(found: Sequence[object], what: str = "values") -> str:
    """How many values a list has, to be given to `DocumentFormat.fault` in place of the list."""
    return _Words(f"has {len(found)} {what}")


def _quoted(found: object) -> str:
    quoted = repr(found)
    return quoted if len(quoted) <= _FOUND_CHARACTERS else quoted[: _FOUND_CHARACTERS - 3] + "..."


def _inside(kind: Any, found: object, step: re.Match[str]) -> Any:
    """The type of what a step of a path leads to."""
    kind = _chosen(kind, found)
    return _field(kind, step[1]) if step[1] is not None else getattr(kind, "item_type", None)


def _field(kind: Any, name: str) -> Any:
    return next((each.type for each in getattr(kind, "fields", ()) if each.encode_name == name), None)


def _chosen(kind: Any, found: object) -> Any:
    """The member of a union that a value was meant to be: a list where it is a list."""
    if isinstance(kind, inspect.UnionType):
        members = [each for each in kind.types if not isinstance(each, inspect.NoneType)]
        alike = [each for each in members if isinstance(each, _LISTS) == isinstance(found, list)]
        return (alike or members)[0]
    return kind


def _rule(kind: Any, found: object, key: str, syntax: str) -> tuple[object, str]:
    """What stands for the value in the message, None for itself, and what is accepted."""
    kind, said = _chosen(kind, found), ""
    if isinstance(kind, inspect.Metadata):
        said, kind = str((kind.extra_json_schema or {}).get("rule", "")), kind.type
    if isinstance(kind, inspect.FloatType | inspect.IntType):
        whole = isinstance(kind, inspect.IntType)
        number = isinstance(found, int if whole else int | float) and not isinstance(found, bool) and abs(found) < inf
        if number and kind.ge is not None and kind.le is not None:
            return None, f"must lie between {kind.ge:g} and {kind.le:g}"
        return None, "must be a whole number" if whole else "must be a finite number"
    if isinstance(kind, inspect.StrType):
        if isinstance(found, str) and kind.max_length is not None and len(found) > kind.max_length:
            return counted(found, "characters"), f"must have at most {kind.max_length}"
        return None, said or "must be a text"
    if isinstance(kind, _LISTS):
        if isinstance(found, list) and found and kind.max_length is not None and len(found) > kind.max_length:
            return counted(found), f"must have at most {kind.max_length}"
        texts = not isinstance(kind.item_type, inspect.FloatType | inspect.IntType)
        return None, 'must be a list of texts, written ["a", "b"]' if texts else _NUMBERS
    if isinstance(kind, inspect.LiteralType):
        accepted = ", ".join(f'"{each}"' for each in kind.values)
        return None, f"must be {accepted}" if len(kind.values) == 1 else f"must be one of {accepted}"
    if isinstance(kind, inspect.BoolType):
        return None, "must be true or false"
    if isinstance(kind, inspect.DateTimeType):
        return None, "must be a time such as 2026-11-02T08:15:00Z"
    return None, f"must be a table, written [{key}]" if syntax == "TOML" else "must be an object, written {...}"


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number of JSON")
