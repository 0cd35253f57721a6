"""Taps as a listener hands them on, cut from the demonstration's recordings, and a table kept in memory."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np

from support.heard_once import heard_once
from support.places import DEMO
from taptest.capture.stream import HeardTap
from taptest.io.recording import Recording, from_samples, read_recording
from taptest.signal.analysis import Analysis


@cache
def demo(name) -> tuple[Recording, Analysis]:
    recording = read_recording(DEMO / f"{name}.flac")
    return recording, heard_once(recording)


@cache
def taps_of(name) -> tuple[HeardTap, ...]:
    """Every tap of a demonstration recording; each window begins where the one before ended."""
    recording, analysis = demo(name)
    rate, samples = recording.sample_rate_hz, recording.samples[:, 0].astype(np.float32)
    onsets = [tap.onset for tap in analysis.taps]
    stops = [*(onset - rate // 10 for onset in onsets[1:]), len(samples)]
    taps = []
    for tap, start, stop in zip(analysis.taps, [0, *stops], stops, strict=False):
        alone = heard_once(from_samples(samples[start:stop], rate))
        taps.append(
            HeardTap(tap.onset / rate, tap.onset - start, samples[start:stop], rate, tap.reasons, analysis=alone)
        )
    return tuple(taps)


@dataclass(frozen=True)
class Word:
    """A verdict that a test has made up."""

    verdict: str = "pass"
    reasons: tuple[str, ...] = ()
    measured_hz: float | None = None
    predicted_hz: float | None = None
    measured_u_hz: float | None = None
    deviation_percent: float | None = None
    modes: tuple[object, ...] = ()
    statistics: tuple[object, ...] = ()


@dataclass(frozen=True)
class Done:
    """A change that was made without ado."""

    notes: tuple[str, ...] = ()
    conflict: Path | None = None


@dataclass
class Desk:
    """A table in memory; ``fails`` holds errors to be raised by the methods of these names."""

    cells: dict[str, str]
    notes: dict[str, str] = field(default_factory=dict)
    judged: list[tuple[str, int]] = field(default_factory=list)
    fails: dict[str, Exception] = field(default_factory=dict)

    def waiting(self):
        self._fail("waiting")
        return [ski_id for ski_id, recording in self.cells.items() if not recording]

    def recording(self, ski_id):
        return self.cells.get(ski_id)

    def enter(self, ski_id, paths):
        self._fail("enter")
        self.cells[ski_id] = ";".join(path.name for path in paths)
        return Done()

    def add_note(self, ski_id, text):
        self.notes[ski_id] = text
        return Done()

    def judge(self, ski_id, analyses, settings=None):
        self._fail("judge")
        self.judged.append((ski_id, sum(len(each.accepted) for each in analyses)))
        return Word()

    def new_ski(self, ski_id):
        return _OneQuestion(self, ski_id)

    def _fail(self, name):
        if name in self.fails:
            raise self.fails[name]


class _OneQuestion:
    def __init__(self, desk, ski_id):
        self.desk, self.ski_id, self.question = desk, ski_id, "Mass?"

    def answer(self, text):
        self.question = None
        if text != "-":
            self.desk.cells[self.ski_id] = ""
        return ""
