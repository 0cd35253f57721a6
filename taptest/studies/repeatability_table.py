"""The table of a repeatability study: what was measured by whom, and what is still to be measured."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from taptest.config.limits import LIMITS
from taptest.core.durable import write_durably
from taptest.core.errors import CalibrationError, UnitError, shown
from taptest.core.messages import Message
from taptest.io.recording import read_recording
from taptest.signal.analysis import analyse
from taptest.studies.repeatability import QUANTITIES, Gauge, Quantity, gauge_study
from taptest.tables.schema import Column, Schema, read_by_schema

_LIMITS = LIMITS.study

COLUMNS: dict[Quantity, str] = {"frequency": "frequency_hz", "damping": "damping_percent", "shift": "shift_percent"}
UNITS: dict[Quantity, str] = {"frequency": "Hz", "damping": "%", "shift": "%"}
_KEYS = ("part", "operator", "trial")
_MOST_RUNS = 2_000
STUDY = Schema(
    row="measurement",
    columns=(
        *(Column(key, decisive=True) for key in _KEYS),
        Column("frequency_hz", "", "frequency", LIMITS.tables.frequency_hz),
        Column("damping_percent", "", "percent", LIMITS.tables.damping_percent),
        Column("shift_percent", "", "percent", LIMITS.tables.shift_percent),
    ),
    required=_KEYS,
    one_of=tuple(COLUMNS.values()),
    most_rows=_MOST_RUNS,
    error=CalibrationError,
)


@dataclass(frozen=True)
class Run:
    """One measurement: ``values`` by quantity, empty while it is still to be made; ``line`` in the table."""

    part: str
    operator: str
    trial: str
    values: dict[Quantity, float]
    line: int

    @property
    def name(self) -> str:
        return f"part {shown(self.part)}, operator {shown(self.operator)}, trial {shown(self.trial)}"


@dataclass(frozen=True)
class Study:
    """The runs of a study in the order of its table, and the cells that could not be read."""

    path: Path
    quantities: tuple[Quantity, ...]
    runs: tuple[Run, ...]
    problems: tuple[Message, ...]

    def open_runs(self) -> tuple[Run, ...]:
        """Those still to be made: nothing was measured in them."""
        return tuple(run for run in self.runs if not run.values)


@dataclass(frozen=True)
class StudyResult:
    """The gauges of a study, and why a quantity could not be judged."""

    path: str
    gauges: tuple[Gauge, ...]
    problems: tuple[str, ...]


def read_study(path: str | Path) -> Study:
    """Read a table with the columns of `STUDY`: part, operator, trial and one or more of the quantities.

    Bad cells are in ``problems``; their runs count as not made.

    Raises:
        LotError: it is no table.
        CalibrationError: a column is missing, or there are no lines or too many.
    """
    table = read_by_schema(path, STUDY)
    first_lines: dict[tuple[str, ...], int] = {}
    runs = []
    for line in table.lines():
        part, operator, trial = keys = tuple(line.values[key] or "" for key in _KEYS)
        if not all(keys):
            continue
        first = first_lines.setdefault(keys, line.number)
        if first != line.number:
            line.wrong("trial", "measurement-twice", first=first)
            continue
        values = {name: value for name in QUANTITIES if (value := line.values[COLUMNS[name]]) is not None}
        runs.append(Run(part, operator, trial, values, line.number))
    found = tuple(name for name in QUANTITIES if COLUMNS[name] in table.places)
    return Study(table.path, found, tuple(runs), table.sorted_problems())


def judge_study(study: Study) -> StudyResult:
    """Analysis of variance of every quantity that was measured in all runs.

    Raises:
        CalibrationError: not one quantity is complete, or different modes were measured; says what is missing.
    """
    gauges, problems = [], []
    measured = [name for name in study.quantities if any(name in run.values for run in study.runs)]
    if not measured:
        raise CalibrationError(f"{shown(study.path.name, 100)}: nothing is measured yet; go on with --enter")
    for quantity in measured:
        try:
            if quantity != "shift":
                _refuse_different_modes(study)
            gauges.append(gauge_study(_cube(study, quantity), quantity=quantity, unit=UNITS[quantity]))
        except CalibrationError as problem:
            problems.append(f"{shown(study.path.name, 100)}, {COLUMNS[quantity]}: {problem}")
    if not gauges:
        raise CalibrationError("; ".join(problems))
    return StudyResult(str(study.path), tuple(gauges), tuple(problems))


def _refuse_different_modes(study: Study) -> None:
    """The spread between skis is no spread of modes, against which any gauge would look excellent."""
    values: dict[str, list[float]] = {}
    for run in study.runs:
        if "frequency" in run.values:
            values.setdefault(run.part, []).append(run.values["frequency"])
    if not values:
        return
    mean = {part: sum(each) / len(each) for part, each in values.items()}
    lowest, highest = min(mean, key=mean.__getitem__), max(mean, key=mean.__getitem__)
    if mean[highest] > _LIMITS.different_modes * mean[lowest]:
        raise CalibrationError(
            f"{mean[lowest]:.1f} Hz of part {shown(lowest)} and {mean[highest]:.1f} Hz of part {shown(highest)} are not the"
            " same mode of like skis; measure one mode on all of them: --enter --near HZ follows it"
        )


def _cube(study: Study, quantity: Quantity) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Values (parts, operators, trials); trials in the order of the table."""
    made: dict[tuple[str, str], list[float]] = {}
    for run in study.runs:
        if quantity in run.values:
            made.setdefault((run.part, run.operator), []).append(run.values[quantity])
    parts = list(dict.fromkeys(run.part for run in study.runs))
    operators = list(dict.fromkeys(run.operator for run in study.runs))
    counts = {(part, operator): len(made.get((part, operator), [])) for part in parts for operator in operators}
    most = max(counts.values(), default=0)
    short = [cell for cell, count in counts.items() if count < most or count == 0]
    if short:
        part, operator = short[0]
        more = f" and {len(short) - 1} more" if len(short) > 1 else ""
        raise CalibrationError(
            f"operator {shown(operator)} measured part {shown(part)} {counts[part, operator]} times, others up to "
            f"{most} times{more}; every operator must measure every part equally often: measure what is missing"
        )
    return np.array([[made[part, operator] for operator in operators] for part in parts])


def plan_study(
    path: str | Path, *, parts: Sequence[str], operators: Sequence[str], trials: int, seed: int = 1
) -> tuple[Run, ...]:
    """Write a new table with every measurement to make, in a random order within each trial, so that no operator drifts.

    Raises:
        CalibrationError: the file exists, cannot be written, a name stands twice, or there are fewer than two of anything.
    """
    for what, names in (("parts", parts), ("operators", operators)):
        if len(names) < 2 or len(set(names)) < len(names) or not all(name.strip() for name in names):
            raise CalibrationError(f"{what} are {shown(', '.join(names), 100)}: at least two different ones are needed")
    if not 2 <= trials <= 20 or len(parts) * len(operators) * trials > _MOST_RUNS:
        raise CalibrationError(
            f"{trials} trials of {len(parts)} parts by {len(operators)} operators: 2 to 20 trials and at most {_MOST_RUNS} "
            "measurements can be planned"
        )
    rng = np.random.default_rng(seed)
    order = []
    for trial in range(1, trials + 1):
        cells = [(part, operator) for operator in operators for part in parts]
        order += [(*cells[i], str(trial)) for i in rng.permutation(len(cells))]
    runs = tuple(Run(part, operator, trial, {}, line) for line, (part, operator, trial) in enumerate(order, 2))
    path = Path(path)
    try:
        with path.open("x", encoding="utf-8", newline="") as stream:
            stream.write(_table(runs))
    except FileExistsError:
        raise CalibrationError(f"{shown(path, 200)}: exists already; go on with it, or name a new file") from None
    except OSError as problem:
        raise CalibrationError(f"{shown(path, 200)}: cannot be written ({problem.strerror or problem})") from problem
    return runs


def enter(study: Study, run: Run, values: dict[Quantity, float]) -> Study:
    """The study with one run's values, written to its file in one step; only a table that `plan_study` made is written.

    Raises:
        CalibrationError: it is no csv with the planned columns, has cells that could not be read, or cannot be written.
    """
    if study.problems or study.path.suffix.lower() != ".csv":
        raise CalibrationError(
            f"{shown(study.path.name, 100)}: values are entered into a planned .csv without faults only; repair it first"
        )
    runs = tuple(
        Run(each.part, each.operator, each.trial, values, each.line) if each.line == run.line else each
        for each in study.runs
    )
    text = _table(runs)
    planned = study.path.read_text(encoding="utf-8-sig").splitlines()[:1]
    if planned != text.splitlines()[:1]:
        raise CalibrationError(
            f"{shown(study.path.name, 100)}: its columns are not those of a planned study, and entering would lose the others; "
            "type the values in a spreadsheet"
        )
    try:
        write_durably(study.path, text.encode("utf-8"))
    except OSError as problem:
        raise CalibrationError(
            f"{shown(study.path, 200)}: cannot be written ({problem.strerror or problem})"
        ) from problem
    return read_study(study.path)


def parse_values(line: str) -> dict[Quantity, float]:
    """Frequency [Hz] and, behind a blank, damping [%], as somebody types them.

    Raises:
        CalibrationError: no number, more than two, or one that cannot be.
    """
    words = line.split()
    values: dict[Quantity, float] = {}
    if not 1 <= len(words) <= 2:
        raise CalibrationError(f"found '{shown(line.strip())}'; write one or two numbers, such as 131.4 0.78")
    for name, word in zip(QUANTITIES, words, strict=False):
        column = STUDY[COLUMNS[name]]
        try:
            values[name] = column.value(word, column.units[0])
        except UnitError as problem:
            raise CalibrationError(f"found '{shown(word)}' for the {name}, {problem}") from None
    return values


def values_from_recording(
    path: str, *, near_hz: float | None, within: float = _LIMITS.same_mode
) -> dict[Quantity, float]:
    """Frequency and damping of one mode of a recording: the loudest, where given of those ``within`` a share of ``near_hz``.

    Raises:
        RecordingError: it cannot be read.
        CalibrationError: no good tap, or no mode near ``near_hz``.
    """
    modes = analyse(read_recording(path)).modes
    name = shown(path, 200)
    if not modes:
        raise CalibrationError(f"{name}: no mode is heard in it; 'taptest analyse' says why; tap it again")
    if near_hz is not None:
        modes = tuple(mode for mode in modes if abs(mode.frequency_hz / near_hz - 1) <= within)
        if not modes:
            raise CalibrationError(
                f"{name}: no mode within {100 * within:.0f} % of {near_hz:.1f} Hz, the one that is followed; is it the right"
                " ski? --near HZ follows another mode"
            )
    mode = max(modes, key=lambda each: each.level_db)
    return {"frequency": mode.frequency_hz, "damping": 100 * mode.damping_ratio}


def followed(study: Study, part: str, near_hz: float | None) -> tuple[float | None, float]:
    """Where the mode to measure on a part is expected [Hz], and within what share of it.

    That is where it was on this part, otherwise ``near_hz``, otherwise about where it was on the other parts; None at first.
    """
    first: dict[str, float] = {}
    for run in study.runs:
        if "frequency" in run.values:
            first.setdefault(run.part, run.values["frequency"])
    if part in first:
        return first[part], _LIMITS.same_mode
    if near_hz is None and first:
        near_hz = float(np.median(list(first.values())))
    return near_hz, _LIMITS.like_mode


def _table(runs: Sequence[Run]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*_KEYS, *COLUMNS.values()])
    for run in runs:
        cells = [f"{run.values[name]:.10g}" if name in run.values else "" for name in QUANTITIES]
        writer.writerow([run.part, run.operator, run.trial, *cells])
    return text.getvalue()
