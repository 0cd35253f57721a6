"""Questions of a session: whether an unknown id is a new ski, its particulars one by one, and the text of a note."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.beam.construction import construction_names, load_construction
from taptest.beam.predict import SkiMeasurements, check_plausible
from taptest.core.errors import ConstructionError, UnitError, shown
from taptest.core.units import parse_with_unit
from taptest.tables.lot import LOT

if TYPE_CHECKING:
    from taptest.capture.lot_table import LotTable

NOTE_CHARACTERS = 500

_QUESTIONS = {
    "length_m": "Length",
    "mass_kg": "Mass as hung",
    "stiffness_n_per_m": "Two-support bending stiffness",
    "span_m": "Span of the two supports",
}
_REMEMBERED = ("construction", "length_m", "span_m")
_YES, _NO = ("y", "yes"), ("n", "no")
GIVE_UP = "-"


# Says what there is to say and puts the next question, is sent the answer, and returns the last word.
Steps = Generator[tuple[str, str], str, str]


class Dialogue:
    """Questions asked one after the other; ``question`` is None when all are answered or the matter was given up."""

    def __init__(self, steps: Steps) -> None:
        self._steps = steps
        self.question: str | None = next(steps)[1]

    def answer(self, text: str) -> str:
        """Take an answer; what to say about it, "" for nothing.

        Raises:
            TaptestError: what the answers are for cannot be done; nothing more is asked.
        """
        try:
            said, self.question = self._steps.send(text.strip())
        except StopIteration as over:
            said, self.question = str(over.value), None
        return said


def add_or_not(table: LotTable, ski_id: str) -> Dialogue:
    """Whether an unknown id is a new ski, before its particulars are asked: a scanner may have misread it."""

    def steps() -> Steps:
        question = f"'{shown(ski_id)}' is neither a ski of the table nor a command. Add it as a new ski? (y/n)"
        answer = yield "", question
        while answer.casefold() not in ("", *_YES, *_NO):
            answer = yield "answer y or n", question
        said = ""
        inner = table.new_ski(ski_id) if answer.casefold() in _YES else None
        while inner is not None and inner.question is not None:
            said = inner.answer((yield said, inner.question))
        return said

    return Dialogue(steps())


def note_text(table: LotTable, ski_id: str) -> Dialogue:
    """The text of a note."""

    def steps() -> Steps:
        text = yield "", f"Note for ski {shown(ski_id)} (empty: none)"
        if not text:
            return "nothing noted"
        told = table.add_note(ski_id, text[:NOTE_CHARACTERS])
        return "; ".join((*map(str, told.notes), f"noted for ski {shown(ski_id)}"))

    return Dialogue(steps())


class _GivenUp(Exception):
    """Nobody wants to go on."""


class NewSki(Dialogue):
    """Questions for one ski.

    Plain numbers are mm, g and N/mm, other units are taken where they are written. A number that only another unit
    makes possible is asked about; what is possible but unlike a ski is asked about at the end.
    """

    def __init__(
        self,
        ski_id: str,
        folder: Path,
        add: Callable[[Mapping[str, str | float]], str],
        before: Mapping[str, str | float] | None = None,
    ) -> None:
        """
        Args:
            ski_id: the new ski's.
            folder: of the table, from which paths of constructions start.
            add: puts the ski into the table; returns what there is to say about it.
            before: answers of the ski entered before, offered where skis of a kind agree.
        """
        self._ski_id, self._folder, self._add = ski_id, folder, add
        self._offered = {name: value for name, value in (before or {}).items() if name in _REMEMBERED}
        self.answers: dict[str, str | float] = {}
        super().__init__(self._ski())

    def _ski(self) -> Steps:
        said = ""
        try:
            while True:
                for name in ("construction", *_QUESTIONS):
                    self.answers[name] = yield from self._value(name, said)
                    said = ""
                given = {name: value for name, value in self.answers.items() if isinstance(value, float)}
                try:
                    remarks = check_plausible(SkiMeasurements(**given))
                    if not remarks or (yield from self._right(remarks)):
                        return self._add(self.answers)
                    said = "then once more from the start"
                except ConstructionError as problem:
                    said = f"{problem}; then once more from the start"
                self._offered, self.answers = {**self._offered, **self.answers}, {}
        except _GivenUp:
            return f"ski {shown(self._ski_id)} was not added"

    def _put(self, said: str, question: str) -> Generator[tuple[str, str], str, str]:
        answer = yield said, question
        if answer == GIVE_UP:
            raise _GivenUp
        return answer

    def _right(self, remarks: list[str]) -> Generator[tuple[str, str], str, bool]:
        """Whether it is as unlike a ski as it looks."""
        said, question = "", f"{'; '.join(remarks)}. Is that right? (y/n)"
        while (answer := (yield from self._put(said, question)).casefold()) not in (*_YES, *_NO):
            said = "answer y or n"
        return answer in _YES

    def _value(self, name: str, said: str) -> Generator[tuple[str, str], str, str | float]:
        """A particular, asked until it can be taken."""
        while True:
            text = yield from self._put(said, self._question(name))
            while text or name not in self._offered:
                try:
                    if name == "construction":
                        return self._construction(text)
                    value, meant = _quantity(name, text)
                except (ConstructionError, UnitError) as problem:
                    # The remedy speaks of columns only where another unit is meant, which is asked about instead.
                    said = str(problem) if name == "construction" else f"found '{shown(text)}', {problem}"
                    break
                if not meant:
                    return value
                said, text = "", (yield from self._put("", meant))
                while text.casefold() not in (*_YES, *_NO) and not any(map(str.isdigit, text)):
                    text = yield from self._put("answer y or n, or type the value again", meant)
                if text.casefold() in _YES:
                    return value
                if text.casefold() in _NO:
                    break
            else:
                return self._offered[name]

    def _question(self, name: str) -> str:
        offered = self._offered.get(name)
        if name == "construction":
            names = ", ".join(f"{number} {each}" for number, each in enumerate(construction_names(), 1))
            enter = f" (Enter: {offered})" if offered else ""
            return f"Construction of {shown(self._ski_id)}: {names}, or a .toml file{enter}; {GIVE_UP} gives up"
        unit = LOT[name].units[0]
        enter = f" (Enter: {unit.from_base(offered):.6g} {unit.symbol})" if isinstance(offered, float) else ""
        return f"{_QUESTIONS[name]} in {unit.symbol}{enter}"

    def _construction(self, text: str) -> str:
        """A construction's name, or its number in the list.

        Raises:
            ConstructionError: there is none of that name.
        """
        names = construction_names()
        if text.isascii() and text.isdigit() and 1 <= int(text) <= len(names):
            text = names[int(text) - 1]
        if not text:
            raise ConstructionError("name a construction")
        load_construction(text, base=self._folder)
        return text


def _quantity(name: str, text: str) -> tuple[float, str]:
    """A quantity in SI units, and the question to ask where only another unit makes it possible, "" otherwise.

    Raises:
        UnitError: it is no number, in no unit of it, or impossible.
    """
    column, units = LOT[name], LOT[name].units
    number, unit = parse_with_unit(text, units)
    value = unit.to_base(number)
    meant = column.unit_meant(value, unit)
    try:
        column.check(value, unit)
    except UnitError:
        if meant is None:
            raise
        value, usual = meant.to_base(number), units[0]
        asked = f"Did you mean {usual.from_base(value):.6g} {usual.symbol}? (y, or type it again)"
        return value, f"{number:g} {unit.symbol}? {asked}"
    return value, ""
