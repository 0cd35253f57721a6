"""Questions of a session: whether an unknown id is a new ski, its particulars one by one, and the text of a note."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from taptest.beam.construction import construction_names, load_construction
from taptest.beam.predict import SkiMeasurements, check_plausible
from taptest.core.errors import ConstructionError, UnitError, shown
from taptest.core.messages import message
from taptest.core.units import Unit, parse_number
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


class Dialogue(Protocol):
    """Questions asked one after the other; ``question`` is None when all are answered or the matter was given up."""

    @property
    def question(self) -> str | None: ...

    def answer(self, text: str) -> str:
        """Take an answer; what to say about it, "" for nothing."""
        ...


class AddOrNot:
    """Whether an unknown id is a new ski, before its particulars are asked: a scanner may have misread it."""

    def __init__(self, table: LotTable, ski_id: str) -> None:
        self._table, self._ski_id = table, ski_id
        self._inner: Dialogue | None = None
        self._over = False

    @property
    def question(self) -> str | None:
        if self._over:
            return None
        if self._inner is not None:
            return self._inner.question
        return f"'{shown(self._ski_id)}' is neither a ski of the table nor a command. Add it as a new ski? (y/n)"

    def answer(self, text: str) -> str:
        if self._inner is not None:
            return self._inner.answer(text)
        if text.casefold() in ("y", "yes"):
            self._inner = self._table.new_ski(self._ski_id)
            return ""
        self._over = text.casefold() in ("", "n", "no")
        return "" if self._over else "answer y or n"


class NoteText:
    """The text of a note."""

    def __init__(self, table: LotTable, ski_id: str) -> None:
        self._table, self._ski_id = table, ski_id
        self._over = False

    @property
    def question(self) -> str | None:
        return None if self._over else f"Note for ski {shown(self._ski_id)} (empty: none)"

    def answer(self, text: str) -> str:
        self._over = True
        if not text:
            return "nothing noted"
        told = self._table.add_note(self._ski_id, text[:NOTE_CHARACTERS])
        return "; ".join((*map(str, told.notes), f"noted for ski {shown(self._ski_id)}"))


class NewSki:
    """Questions for one ski; ``question`` is None when they are over.

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
        self._doubt: tuple[str, float] | None = None
        self._remarks: list[str] = []
        self._over = False

    @property
    def question(self) -> str | None:
        if self._over:
            return None
        if self._doubt is not None:
            return self._doubt[0]
        if self._remarks:
            return f"{'; '.join(self._remarks)}. Is that right? (y/n)"
        name = self._wanted()
        offered = self._offered.get(name)
        if name == "construction":
            names = ", ".join(f"{number} {each}" for number, each in enumerate(construction_names(), 1))
            enter = f" (Enter: {offered})" if offered else ""
            return f"Construction of {shown(self._ski_id)}: {names}, or a .toml file{enter}; {GIVE_UP} gives up"
        unit = LOT[name].units[0]
        enter = f" (Enter: {unit.from_base(offered):.6g} {unit.symbol})" if isinstance(offered, float) else ""
        return f"{_QUESTIONS[name]} in {unit.symbol}{enter}"

    def answer(self, text: str) -> str:
        """Take an answer; what to say about it, "" for nothing.

        Raises:
            LotError: the ski cannot be put into the table.
        """
        text = text.strip()
        if text == GIVE_UP:
            self._over = True
            return f"ski {shown(self._ski_id)} was not added"
        if self._doubt is not None:
            return self._settle_doubt(text)
        if self._remarks:
            return self._settle_remarks(text)
        name = self._wanted()
        if not text and name in self._offered:
            self.answers[name] = self._offered[name]
        else:
            told = self._take_construction(text) if name == "construction" else self._take_quantity(name, text)
            if told:
                return told
        return self._go_on()

    def _wanted(self) -> str:
        return next(name for name in ("construction", *_QUESTIONS) if name not in self.answers)

    def _take_construction(self, text: str) -> str:
        names = construction_names()
        if text.isascii() and text.isdigit() and 1 <= int(text) <= len(names):
            text = names[int(text) - 1]
        try:
            load_construction(text or "-", base=self._folder)
        except ConstructionError as problem:
            return str(problem) if text else "name a construction"
        self.answers["construction"] = text
        return ""

    def _take_quantity(self, name: str, text: str) -> str:
        column, units = LOT[name], LOT[name].units
        try:
            number, written = parse_number(text)
            unit = _unit_written(written, units)
            value = unit.to_base(number)
            meant = column.unit_meant(value, unit)
            try:
                column.check(value, unit)
            except UnitError:
                if meant is None:
                    raise
                self._doubt = (_did_you_mean(number, unit, meant, units[0]), meant.to_base(number))
                return ""
        except UnitError as problem:
            # The remedy speaks of columns only where another unit is meant, which is asked about instead.
            return f"found '{shown(text)}', {problem}"
        self.answers[name] = value
        return ""

    def _settle_doubt(self, text: str) -> str:
        assert self._doubt is not None
        if text.casefold() in _YES:
            self.answers[self._wanted()] = self._doubt[1]
            self._doubt = None
            return self._go_on()
        if text.casefold() in _NO:
            self._doubt = None
            return ""
        if any(character.isdigit() for character in text):
            self._doubt = None
            return self.answer(text)
        return "answer y or n, or type the value again"

    def _settle_remarks(self, text: str) -> str:
        if text.casefold() in _YES:
            return self._finish()
        if text.casefold() not in _NO:
            return "answer y or n"
        self._remarks = []
        self._again()
        return "then once more from the start"

    def _again(self) -> None:
        self._offered, self.answers = {**self._offered, **self.answers}, {}

    def _go_on(self) -> str:
        if len(self.answers) <= len(_QUESTIONS):
            return ""
        ski = SkiMeasurements(**{name: value for name, value in self.answers.items() if isinstance(value, float)})
        try:
            self._remarks = check_plausible(ski)
        except ConstructionError as problem:
            self._again()
            return f"{problem}; then once more from the start"
        return "" if self._remarks else self._finish()

    def _finish(self) -> str:
        self._over = True
        return self._add(self.answers)


def _unit_written(written: str, units: tuple[Unit, ...]) -> Unit:
    symbol = "".join(written.split()).casefold()
    named = [unit for unit in units if unit.symbol.casefold() == symbol]
    if written and not named:
        accepted = ", ".join(unit.symbol for unit in units)
        raise UnitError(message("unit-not-accepted", written=shown(written), accepted=accepted))
    return (named or list(units))[0]


def _did_you_mean(number: float, unit: Unit, meant: Unit, usual: Unit) -> str:
    value = usual.from_base(meant.to_base(number))
    return f"{number:g} {unit.symbol}? Did you mean {value:.6g} {usual.symbol}? (y, or type it again)"
