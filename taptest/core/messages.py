"""One message for everything the program tells a person: what it is about, which numbers it holds, and what to do next.

A message is made from its code and its values; the sentences stand in `taptest.core.catalogue` alone, so that they can be
read, changed and translated in one place, and so that a program that reads the JSON documents need not read English.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

from taptest.core.catalogue import SENTENCES

Severity = Literal["error", "warning", "note", "outlier", "recheck", "obstacle", "remark"]
Value = str | float | int | bool | tuple[str, ...] | tuple[int, ...] | None


@dataclass(frozen=True)
class Subject:
    """What a message is about: a ski, a file, a line and a column of it, the value found there; None where it is not that.

    A message about a line of a table is about a ski too only where that ski is left out for it.
    """

    ski: str | None = None
    file: str | None = None
    line: int | None = None
    column: str | None = None
    value: str | None = None


@dataclass(frozen=True)
class Message:
    """Something told to a person.

    Attributes:
        code: stable, in kebab-case, a key of the catalogue; programs may rely on it.
        values: what the sentence is filled with, numbers as numbers; ratios in percent, with the unit in the name.
        subject: what it is about.
        severity: the catalogue's, unless it was raised or lowered. Of a verdict: "outlier" and "recheck" say what the finding
            asks for, "obstacle" why nothing was judged, "remark" what does not change the verdict. Else "error" is input
            that could not be used, "warning" what casts doubt on results, "note" what is good to know.
    """

    code: str
    values: Mapping[str, Value] = field(default_factory=dict)
    subject: Subject = Subject()
    severity: Severity = "note"

    @cached_property
    def text(self) -> str:
        """The sentence, filled in; without a full stop where it goes on with the remedy."""
        return SENTENCES[self.code].text.format(**self.values, **_words_of(self.subject))

    @cached_property
    def remedy(self) -> str:
        """What to do next, filled in; empty where there is nothing to do."""
        return SENTENCES[self.code].remedy.format(**self.values, **_words_of(self.subject))

    def __str__(self) -> str:
        """One printable line; of a line of a table with its place, what was found there, and the ski that it costs."""
        said = f"{self.text}; {self.remedy}" if self.remedy else self.text
        if self.subject.line is None:
            return said
        words = _words_of(self.subject)
        column = f", column {words['_column']}" if self.subject.column else ""
        found = f"found '{words['_value']}'" if self.subject.value else "found nothing"
        lost = f" (ski {words['_ski']} is left out)" if self.subject.ski else ""
        return f"{words['_file']} line {words['_line']}{column}: {found}, {said}{lost}"

    def about(self, **subject: str | int | None) -> Message:
        """The same message with more said of its subject."""
        return replace(self, subject=replace(self.subject, **subject))  # type: ignore[arg-type]


def message(code: str, subject: Subject | None = None, *, severity: Severity | None = None, **values: Value) -> Message:
    """A message of the catalogue.

    Raises:
        KeyError: there is no such code.
    """
    return Message(code, values, subject or Subject(), severity or SENTENCES[code].severity)


def codes(messages: Iterable[Message]) -> list[str]:
    """The codes of messages, for documents, in their order and each once."""
    return list(dict.fromkeys(each.code for each in messages))


def _words_of(subject: Subject) -> dict[str, object]:
    from taptest.core.errors import SHOWN_CHARACTERS, shown

    limits = {"file": 100}
    return {
        f"_{name}": "" if value is None else shown(value, limits.get(name, SHOWN_CHARACTERS))
        for name, value in vars(subject).items()
    }
