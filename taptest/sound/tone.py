"""The name of a tone, for ears: equal temperament, A4 = 440 Hz (ISO 16)."""

from __future__ import annotations


def note_name(frequency_hz: float) -> tuple[str, float]:
    """Nearest note and how far the tone lies from it [cents], e.g. ``("E3", -12.4)``.

    >>> note_name(440.0)
    ('A4', 0.0)
    """
    from librosa.core.convert import hz_to_midi, midi_to_note

    midi = float(hz_to_midi(frequency_hz))
    nearest = round(midi)
    return str(midi_to_note(nearest, unicode=False)), round(100 * (midi - nearest), 1)
