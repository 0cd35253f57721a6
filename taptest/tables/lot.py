"""A lot: the table with one row per ski, read so that every bad cell is named at once and every good row is kept.

A new column takes four steps, in four files: its range in ``config/limits/`` (`TableLimits`), its value in
``ski/facts.py``, its line in `LOT` below under the name of that value, and its row in the README's table of columns.
Reading, units, messages, editing and the questions for it follow from the line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from taptest.config.limits import LIMITS
from taptest.core.errors import LotError, nearest, shown
from taptest.core.messages import Message, Subject, message
from taptest.core.units import Unit
from taptest.ski.facts import SkiFacts
from taptest.tables.schema import Column, Line, Schema, SchemaTable, nearest_heading, read_by_schema

_MAX_RECORDINGS = 50
_SHOWN_IDS = 6
_FACTS = LIMITS.tables


def _flattening(value: float, unit: Unit) -> Message | None:
    least, most = _FACTS.flattening_n_per_m
    if not least <= value <= most:
        return None
    return message("flattening-stiffness", most=f"{unit.from_base(least):.6g} {unit.symbol}")


# A wrong value in a decisive column would give a wrong prediction, or another ski's sound, without anybody noticing.
LOT = Schema(
    row="ski",
    columns=(
        Column("ski_id", "number on the ski", decisive=True),
        Column("pair_id", "what both skis of a pair have in common"),
        Column("side", "of the pair, L or R", choices={"l": "L", "left": "L", "r": "R", "right": "R"}),
        Column("construction", "name or path of a construction file", decisive=True),
        Column("generation", "by which skis are compared"),
        Column("recording", "paths of its recordings, relative to the table, with ; between them", decisive=True),
        Column("note", "free text"),
        Column("length_m", "of the ski", "length", _FACTS.length_m, decisive=True),
        Column("mass_kg", "as hung, with its binding", "mass", _FACTS.mass_kg, decisive=True),
        Column(
            "stiffness_n_per_m",
            "load over deflection in the middle between two supports",
            "stiffness",
            _FACTS.stiffness_n_per_m,
            refused=_flattening,
            decisive=True,
        ),
        Column("span_m", "between the two supports", "length", _FACTS.length_m, decisive=True),
        Column("rig_centre_m", "of the two supports, from the tail", "length", _FACTS.place_m, decisive=True),
        Column("balance_m", "balance point, from the tail", "length", _FACTS.place_m),
        Column("binding_mass_kg", "included in the mass", "mass", _FACTS.binding_mass_kg, zero=True, decisive=True),
        Column("binding_m", "middle of the binding, from the tail", "length", _FACTS.place_m, decisive=True),
        Column("temperature_c", "of the ski when it was tapped", "temperature", _FACTS.temperature_c),
    ),
    required=("ski_id",),
)
_PREDICTED_FROM = ("construction", "length_m", "mass_kg", "stiffness_n_per_m", "span_m")


@dataclass(frozen=True)
class Lot:
    """The skis that can be used, every problem found, and what was ignored or assumed on reading."""

    path: Path
    rows: tuple[SkiFacts, ...]
    problems: tuple[Message, ...]
    notes: tuple[Message, ...] = ()


def read_lot(path: str | Path) -> Lot:
    """Read a table of skis (csv or xlsx), all bad cells at once.

    A row is left out when a cell that decides the prediction or the sound is bad (id, construction, length, mass,
    stiffness, span, rig centre, binding mass and place, recording), when it has the wrong number of cells, when its id
    was used before, or when it has no recording and cannot be predicted either; any other bad cell only loses its own
    value. Either way the cell is in ``problems``. Columns that are not known travel along in `SkiFacts.other`.

    Raises:
        LotError: nothing can be read: no such file, not a table, no ``ski_id`` column, no line below the heading.
    """
    table = read_by_schema(path, LOT)
    _note_missing_columns(table)
    first_lines: dict[str, int] = {}
    rows = [ski for line in table.lines() if (ski := _ski(table, line, first_lines)) is not None]
    heard: dict[Path, list[str]] = {}
    for ski in rows:
        for recording in ski.recordings:
            heard.setdefault(recording, []).append(ski.ski_id)
    for recording, skis in heard.items():
        if len(skis) > 1:
            names = ", ".join(shown(ski) for ski in skis[:5])
            subject = Subject(file=table.path.name)
            table.notes.append(message("recording-shared", subject, recording=shown(recording.name), skis=names))
    return Lot(table.path, tuple(rows), table.sorted_problems(), tuple(table.notes))


def select_skis(lot: Lot, names: Sequence[str]) -> tuple[SkiFacts, ...]:
    """The skis of these ids, in the order of the names and as often as they are named; all of the lot for no names.

    An id is taken as it is written, or without regard to capitals where only one ski is then meant.

    Raises:
        LotError: no ski has such an id; every such name at once, each with the nearest id.
    """
    if not names:
        return lot.rows
    exact = {row.ski_id: row for row in lot.rows}
    folded: dict[str, list[SkiFacts]] = {}
    for row in lot.rows:
        folded.setdefault(row.ski_id.casefold(), []).append(row)
    chosen, unknown = [], []
    for name in names:
        alike = folded.get(name.strip().casefold(), [])
        if name in exact:
            chosen.append(exact[name])
        elif len(alike) == 1:
            chosen.append(alike[0])
        else:
            near = nearest(name, exact)
            unknown.append(f"'{shown(name)}'{f' (did you mean {shown(near)}?)' if near else ''}")
    if unknown:
        known = ", ".join(shown(row.ski_id, 20) for row in lot.rows[:_SHOWN_IDS])
        more = ", ..." if len(lot.rows) > _SHOWN_IDS else ""
        raise LotError(f"{shown(lot.path.name)}: no ski {', '.join(unknown)}; its ids are {known or 'none'}{more}")
    return tuple(chosen)


def _note_missing_columns(table: SchemaTable) -> None:
    missing = [LOT[name] for name in _PREDICTED_FROM if name not in table.places]
    unknown = list(table.others.values())
    if len(missing) == len(_PREDICTED_FROM) and "recording" in table.places and not unknown:
        return  # recordings only: nothing was meant to be predicted
    for column in missing:
        names = list(column.headings)
        stems = (*names, column.stem)
        guess = next((near for name in stems if (near := nearest_heading(name, unknown))), None)
        remedy = f"add one of {', '.join(names)}" if len(names) > 1 else f"add {names[0]}"
        if guess is not None:
            remedy = f"is '{shown(guess)}' meant? accepted: {', '.join(names)}"
        table.add(table.line, names[0], "", message("column-missing", remedy=remedy))


def _ski(table: SchemaTable, line: Line, first_lines: dict[str, int]) -> SkiFacts | None:
    values = line.values
    ski_id = values["ski_id"] or ""
    first = first_lines.setdefault(ski_id, line.number)
    if ski_id and first != line.number:
        line.wrong("ski_id", "id-twice", first=first)
    recordings = _recordings(table, line)
    _check_places(line)
    _check_binding(line)
    if line.bad() or (not recordings and not _predictable(line)):
        if first == line.number:  # otherwise the ski of this id is there, from its first line
            line.cost(ski_id)
        return None
    facts = {name: value for name, value in values.items() if value is not None and name != "recording"}
    return SkiFacts(**facts, recordings=recordings, other=line.others, line=line.number)


def _check_binding(line: Line) -> None:
    """A ski is weighed as hung, with its binding."""
    binding_kg, mass_kg = line.values["binding_mass_kg"], line.values["mass_kg"]
    if binding_kg is not None and mass_kg is not None and binding_kg >= mass_kg:
        line.wrong("binding_mass_kg", "binding-heavier", mass_g=1000 * mass_kg)


def _check_places(line: Line) -> None:
    """Distances along the ski against its length, and the rig's two supports, which must both stand under the ski."""
    length_m = line.values["length_m"]
    if length_m is None:
        return
    for name in ("span_m", "rig_centre_m", "balance_m", "binding_m"):
        value = line.values[name]
        if value is not None and value >= length_m:
            how = "in the unit of the column" if name == "span_m" else "from the tail"
            line.wrong(name, "place-beyond-ski", length_mm=length_m * 1000, how=how)
    span_m, centre_m = line.values["span_m"], line.values["rig_centre_m"]
    if span_m is not None and centre_m is not None and not span_m / 2 <= centre_m <= length_m - span_m / 2:
        lowest, highest = span_m * 500, (length_m - span_m / 2) * 1000
        line.wrong("rig_centre_m", "supports-off-ski", lowest_mm=lowest, highest_mm=highest)


def _predictable(line: Line) -> bool:
    """Whether a ski without a recording can at least be predicted. A missing column has been named already."""
    absent = [name for name in _PREDICTED_FROM if line.values[name] is None]
    there = [name for name in absent if name in line.table.places]
    for name in there:
        line.wrong(name, "fact-missing", value="")
    if absent and not there and "recording" in line.table.places:
        line.wrong("recording", "facts-missing", value="")
    return not absent


def _recordings(table: SchemaTable, line: Line) -> tuple[Path, ...]:
    names = [part.strip() for part in (line.values["recording"] or "").split(";") if part.strip()]
    if len(names) > _MAX_RECORDINGS:
        line.wrong("recording", "recordings-too-many", count=len(names), most=_MAX_RECORDINGS)
        return ()
    found: list[Path] = []
    for name in names:
        # Guessing is slow in a large folder, and nobody needs fifty guesses.
        recording = _recording(table.path.parent, name, guessing=len(table.problems) < 50)
        if isinstance(recording, Message):
            table.add(line.number, table.heading("recording"), name, recording)
        elif recording in found:
            line.wrong("recording", "recording-twice", value=name)
        else:
            found.append(recording)
    return tuple(found)


def _recording(folder: Path, name: str, *, guessing: bool) -> Path | Message:
    """The file that a cell names, or what is wrong with it and what to do."""
    slashed = name.replace("\\", "/")
    if slashed.startswith(("/", "~")) or re.match("[A-Za-z]:", slashed):
        return message("recording-absolute")
    depth = 0
    for part in PurePosixPath(slashed).parts:
        depth += -1 if part == ".." else 1
        if depth < 0:
            return message("recording-outside")
    path = folder / slashed
    near = None
    try:
        if path.is_file():
            return path
        if path.is_dir():
            return message("recording-folder")
        if guessing and path.parent.is_dir():
            near = nearest(path.name, sorted(entry.name for entry in path.parent.iterdir()), 0.75)
    except (OSError, ValueError) as problem:
        return message("recording-unreadable", why=shown(getattr(problem, "strerror", None) or problem, 60))
    remedy = f"is {shown(near)} meant?" if near else "check the name, or copy the file there"
    return message("recording-missing", folder=shown(folder.absolute(), 100), remedy=remedy)
