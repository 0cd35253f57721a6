"""The name of a tone, for ears: equal temperament of 12 tones, A4 = 440 Hz (ISO 16)."""

from __future__ import annotations

from math import log2

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_A4 = 69  # number of that key in MIDI, where C4 is 60


def note_name(frequency_hz: float) -> tuple[str, float]:
    """Nearest note and how far the tone lies above it [cents], e.g. ``("E3", -12.4)``.

    Semitones above A4: ``12 log2(f / 440 Hz)``; a cent is a hundredth of one.

    >>> note_name(440.0)
    ('A4', 0.0)
    """
    key = _A4 + 12 * log2(frequency_hz / 440.0)
    nearest = round(key)
    return f"{_NAMES[nearest % 12]}{nearest // 12 - 1}", round(100 * (key - nearest), 1)
