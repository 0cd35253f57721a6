"""Small archives of short recordings for tests: pieces of the demonstration, which an independent simulation made."""

import json

import numpy as np
import soundfile

from support.places import ROOT

DEMO = ROOT / "recordings_demo"
SKIS = ("c01l", "c05r", "s01l", "s06r")


def make_archive(folder, count=4, seconds=1.8):
    """``count`` recordings of one tap each, no two the same."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        samples, rate = soundfile.read(DEMO / f"{SKIS[number % len(SKIS)]}.flac")
        level = 1 - 0.01 * (number // len(SKIS))
        soundfile.write(folder / f"{number:02d}.flac", level * samples[: round(seconds * rate)], rate)
    return folder


def make_hiss(folder, count):
    """Recordings that take no time: a fifth of a second of hiss, in which there is nothing to find."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        hiss = np.random.default_rng(number).normal(0, 1e-3, 9_600)
        soundfile.write(folder / f"{number:03d}.wav", hiss, 48_000)
    return folder


def lines_of(path):
    """The documents of a file of results."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def by_path(path):
    """The last document on each path, and that there is only one."""
    documents = lines_of(path)
    found = {document["path"]: document for document in documents}
    assert len(found) == len(documents), "a path has two lines"
    return found
