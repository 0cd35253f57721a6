"""What is played, as ``taptest.play/1``; every key is a `Field`."""

from __future__ import annotations

from taptest.core.fields import Field, document_of
from taptest.playback.playlist import Clip, Playlist
from taptest.present.json.analysis import Document

# A sound, when it begins [s], and the sample rate [Hz] of all.
CLIP_FIELDS: tuple[Field[tuple[Clip, float, int]], ...] = (
    Field("name", lambda at: at[0].name, "text"),
    Field("recording", lambda at: at[0].path, "text"),
    Field("kind", lambda at: at[0].kind, "text", help="a recorded tap, or the modes heard in it"),
    Field("onset_s", lambda at: at[0].onset_s, help="contact, from the start of the recording"),
    Field("begins_s", lambda at: at[1], help="from the start of the whole"),
    Field("duration_s", lambda at: len(at[0].samples) / at[2]),
    Field("lowest_hz", lambda at: at[0].lowest and at[0].lowest.frequency_hz, help="before any shift"),
    Field("strongest_hz", lambda at: at[0].strongest and at[0].strongest.frequency_hz, help="before any shift"),
    Field("modes", lambda at: len(at[0].heard), "integer"),
    Field("modes_left_out", lambda at: at[0].left_out, "integer", help="shifted beyond the sample rate"),
    Field("gain_db", lambda at: at[0].gain_db, help="done to its level to match the others"),
    Field("quieter_db", lambda at: at[0].quieter_db, help="how far it stays below the others"),
)

PLAYLIST_FIELDS: tuple[Field[Playlist], ...] = (
    Field("sample_rate_hz", lambda played: played.sample_rate_hz, "integer"),
    Field("octaves_up", lambda played: played.options.octaves_up, "integer"),
    Field("keep_decay_time", lambda played: played.options.keep_decay_time, "boolean"),
    Field("peak_dbfs", lambda played: played.peak_dbfs if played.clips else None, help="loudest sample of all"),
)


def playlist_document(playlist: Playlist, saved: str | None = None) -> Document:
    """``taptest.play/1``: sounds in the order in which they are heard."""
    starts_s = zip(playlist.clips, playlist.begins_s(), strict=True)
    return {
        "schema": "taptest.play/1",
        **document_of(PLAYLIST_FIELDS, playlist),
        "saved": saved if playlist.clips else None,
        "sounds": [document_of(CLIP_FIELDS, (clip, begins_s, playlist.sample_rate_hz)) for clip, begins_s in starts_s],
        "unread": list(playlist.refused),
    }
