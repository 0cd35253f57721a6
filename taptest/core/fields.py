"""What a column or a key is, said once: tables, documents, schemas, data frames, exports and the logbook all read it here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

T = TypeVar("T")
Kind = Literal["text", "number", "integer", "boolean", "list", "object", "any"]

_DIGITS = 9


@dataclass(frozen=True)
class Field(Generic[T]):
    """One value of a result.

    Attributes:
        key: in documents, frames and exports, with its unit in it.
        get: the value of a result; None where it is not known.
        kind: of the value, for schemas and columns.
        help: one line on what it is.
        heading: of a table's column, unit in a line of its own; empty where tables do not show it.
        decimals: of a number in tables.
        sign: whether tables write a plus.
        scale: what a table multiplies by, such as 100 where the document has a ratio and the table percent.
        u: key of its standard uncertainty, which tables write behind it.
        logbook: name of its column in the logbook; empty where it is not kept.
        align: of a table's column: "left", "right", or "fold" (left, wrapped where it is long); by default right for numbers.
    """

    key: str
    get: Callable[[T], Any]
    kind: Kind = "number"
    help: str = ""
    heading: str = ""
    decimals: int = 1
    sign: bool = False
    scale: float = 1.0
    u: str = ""
    logbook: str = ""
    align: Literal["", "left", "right", "fold"] = ""
    items: Mapping[str, Any] | None = None  # JSON Schema of a list's items or of an object


def number_of(value: float | None) -> float | None:
    """Nine significant digits: more than any measurement, and free of the noise of binary fractions; None if not finite."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.{_DIGITS}g}")


def document_of(fields: Sequence[Field[T]], result: T) -> dict[str, Any]:
    """A result as a document: its keys in the order of the fields, numbers rounded, None where nothing is known."""
    return {each.key: _plain(each, each.get(result)) for each in fields}


def _plain(field: Field[Any], value: Any) -> Any:
    if value is None:
        return None
    if field.kind == "number":
        return number_of(value)
    if field.kind == "list":
        return list(value)
    return value


def schema_of(fields: Iterable[Field[Any]]) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of an object with these keys; every key is there, and may be null unless it is a list."""
    properties = {each.key: _schema(each) for each in fields}
    return {"type": "object", "properties": properties, "required": list(properties)}


def _schema(field: Field[Any]) -> dict[str, Any]:
    kinds = {"text": "string", "number": "number", "integer": "integer", "boolean": "boolean"}
    about = {"description": field.help} if field.help else {}
    if field.kind == "list":
        return {"type": "array", "items": dict(field.items or {"type": "string"}), **about}
    if field.kind == "object":
        return {**(dict(field.items) if field.items else {"type": ["object", "null"]}), **about}
    return about if field.kind == "any" else {"type": [kinds[field.kind], "null"], **about}


def list_field(key: str, get: Callable[[T], Iterable[Any]], fields: Sequence[Field[Any]], help: str) -> Field[T]:
    """A value that is several results of a kind of its own, each told by ``fields``."""
    return Field(
        key,
        lambda result: [document_of(fields, each) for each in get(result)],
        "list",
        help,
        items=schema_of(fields),
    )


def by_key(fields: Iterable[Field[T]]) -> dict[str, Field[T]]:
    """The fields by their keys."""
    return {each.key: each for each in fields}
