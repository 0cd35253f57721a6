"""What the logbook knows as the documents of its ``--json`` contracts; times are UTC."""

from collections.abc import Iterable
from datetime import UTC, datetime

from taptest.logbook.book import Entered
from taptest.logbook.history import Change, History
from taptest.logbook.merge import Merged
from taptest.logbook.reading import LoggedMode, LoggedVerdict, SkiPage, SkiSummary
from taptest.logbook.softness import softness
from taptest.logbook.verify import Verified
from taptest.present.json.documents import Document, number_of
from taptest.present.text.softness_words import softness_document


def added_document(entered: Iterable[Entered], unread: Iterable[str]) -> Document:
    """``taptest.logbook_added/1``: the files in the order in which they were entered."""
    return {
        "schema": "taptest.logbook_added/1",
        "entered": [
            {
                "file": each.file,
                "kind": "recording" if each.skis is None else "lot",
                "id": each.added.id,
                "new": each.added.new,
                "skis": each.skis,
            }
            for each in entered
        ],
        "unread": list(unread),
    }


def list_document(skis: Iterable[SkiSummary], more: bool) -> Document:
    """``taptest.logbook_list/1``: the ski measured last first."""
    return {
        "schema": "taptest.logbook_list/1",
        "skis": [
            {
                "ski_id": each.ski_id,
                "pair_id": each.pair_id,
                "construction": each.construction,
                "measured_utc": _utc(each.measured),
                "measured_hz": number_of(each.measured_hz),
                "measured_u_hz": number_of(each.measured_u_hz),
                "deviation_percent": number_of(each.deviation_percent),
                "damping_ratio": number_of(each.damping_ratio),
                "verdict": each.verdict,
                "station": each.station,
            }
            for each in skis
        ],
        "more": more,
    }


def ski_document(page: SkiPage) -> Document:
    """``taptest.logbook_ski/1``: the last verdict, null where the ski was never judged."""
    return {
        "schema": "taptest.logbook_ski/1",
        "ski_id": page.ski_id,
        "verdicts": page.verdicts,
        "last": None if page.last is None else _verdict(page.last),
        "predictions": [
            {
                "family": each.family,
                "order": each.order,
                "frequency_hz": number_of(each.frequency_hz),
                "frequency_u_hz": number_of(each.frequency_u_hz),
            }
            for each in page.predictions
        ],
        "recordings": [
            {
                "sha256": each.sha256,
                "name": each.name,
                "file": each.file,
                "recorded_utc": _utc(each.recorded),
                "sample_rate_hz": each.sample_rate_hz,
                "channels": each.channels,
                "duration_s": number_of(each.duration_s),
            }
            for each in page.recordings
        ],
        "calibrations": [
            {"kind": each.kind, "made": _utc(each.made), "file": each.file, "effect": each.effect}
            for each in page.calibrations
        ],
    }


def history_document(history: History) -> Document:
    """``taptest.logbook_history/1``: the first measurement first, each of the others against it."""
    return {
        "schema": "taptest.logbook_history/1",
        "ski_id": history.ski_id,
        "measurements": [
            {
                **_verdict(point.verdict),
                "modes_shared": point.modes_shared,
                "tone_change": _change(point.tone),
                "damping_change": _change(point.damping),
                "mass_change": _change(point.mass),
                "stiffness_change": _change(point.stiffness),
            }
            for point in history.points
        ],
        "gone_soft": softness_document(softness(history)),
        "notes": list(history.notes),
    }


def histories_document(pair_id: str, histories: Iterable[History]) -> Document:
    """``taptest.logbook_pair_history/1``: that of each ski of a pair."""
    return {
        "schema": "taptest.logbook_pair_history/1",
        "pair_id": pair_id,
        "skis": [history_document(each) for each in histories],
    }


def verified_document(found: Verified) -> Document:
    """``taptest.logbook_verify/1``: sound where nothing is wrong that could not be mended."""
    return {
        "schema": "taptest.logbook_verify/1",
        "logbook": found.logbook,
        "sound": found.sound,
        "rows": found.rows,
        "sounds": found.sounds,
        "mended": list(found.mended),
        "faults": [{"where": each.where, "id": each.id, "told": each.told} for each in found.faults],
        "notes": list(found.notes),
    }


def merged_document(done: Merged) -> Document:
    """``taptest.logbook_merge/1``: what was new, by table."""
    return {
        "schema": "taptest.logbook_merge/1",
        "from": done.source,
        "into": done.target,
        "entered": dict(sorted(done.entered.items())),
        "sounds_copied": done.sounds_copied,
        "conflicts": [{"kind": each.kind, "id": each.id, "told": each.told} for each in done.conflicts],
        "left_out": list(done.left_out),
        "sounds_missing": list(done.sounds_missing),
    }


def _change(change: Change | None) -> Document | None:
    if change is None:
        return None
    return {
        "percent": number_of(change.percent),
        "u_percent": number_of(change.u_percent),
        "exceeds_repeatability": change.exceeds,
    }


def _verdict(verdict: LoggedVerdict) -> Document:
    def times(value: float | None, factor: float) -> float | None:
        return None if value is None else number_of(factor * value)

    return {
        "id": verdict.id,
        "measured_utc": _utc(verdict.measured),
        "judged_utc": _utc(verdict.made),
        "station": verdict.station,
        "operator": verdict.operator,
        "software": verdict.software,
        "lot": verdict.lot,
        "pair_id": verdict.pair_id,
        "construction": verdict.construction,
        "generation": verdict.generation,
        "length_mm": times(verdict.length_m, 1000),
        "mass_g": times(verdict.mass_kg, 1000),
        "stiffness_n_per_mm": times(verdict.stiffness_n_per_m, 0.001),
        "span_mm": times(verdict.span_m, 1000),
        "temperature_c": number_of(verdict.temperature_c),
        "frequencies_at_c": number_of(verdict.frequencies_at_c),
        "predicted_hz": number_of(verdict.predicted_hz),
        "predicted_u_hz": number_of(verdict.predicted_u_hz),
        "measured_hz": number_of(verdict.measured_hz),
        "measured_u_hz": number_of(verdict.measured_u_hz),
        "first_heard": verdict.first_heard,
        "deviation_percent": number_of(verdict.deviation_percent),
        "deviation_u_percent": number_of(verdict.deviation_u_percent),
        "damping_ratio": number_of(verdict.damping_ratio),
        "damping_ratio_u": number_of(verdict.damping_ratio_u),
        "taps_good": verdict.taps_good,
        "taps_found": verdict.taps_found,
        "verdict": verdict.verdict,
        "reasons": list(verdict.reasons),
        "note": verdict.note,
        "supersedes": verdict.supersedes,
        "superseded": verdict.superseded,
        "modes": [_mode(mode) for mode in verdict.modes],
    }


def _mode(mode: LoggedMode) -> Document:
    return {
        "family": mode.family,
        "order": mode.order,
        "frequency_hz": number_of(mode.frequency_hz),
        "frequency_u_hz": number_of(mode.frequency_u_hz),
        "predicted_hz": number_of(mode.predicted_hz),
        "damping_ratio": number_of(mode.damping_ratio),
        "damping_ratio_u": number_of(mode.damping_ratio_u),
        "flags": list(mode.flags),
    }


def _utc(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
