"""Result objects as the documents of the ``--json`` contracts: units in the keys, null where nothing is known."""

import math
from collections import Counter
from collections.abc import Iterable

from taptest.capture.devices import InputDevice
from taptest.capture.happenings import Ended, Happening, Said, SkiDone, TapLost, TapRefused
from taptest.capture.input_check import InputCheck
from taptest.config.corrections import Citation
from taptest.core.errors import shown
from taptest.identify.ladder import PlacedMode
from taptest.identify.predicted import LotPrediction, PredictedSki
from taptest.io.recording import PickupChannel
from taptest.playback.playlist import Piece, Programme
from taptest.screen.explain import Explanation
from taptest.screen.verdict import CheckResult, GroupSummary, SkiVerdict
from taptest.signal.analysis import Analysis, Mode
from taptest.signal.pitch import note_name
from taptest.signal.taps import Tap
from taptest.tables.reader import CellProblem

Document = dict[str, object]

_DIGITS = 9


def analysis_document(analyses: Iterable[Analysis], calibrations: Iterable[Citation] = ()) -> Document:
    """``taptest.analysis/1``: taps in order of time, modes in order of frequency, and the calibrations that were used."""
    return analyses_document([recording_document(analysis) for analysis in analyses], calibrations)


def analyses_document(recordings: list[Document], calibrations: Iterable[Citation] = ()) -> Document:
    """The same of recordings whose documents are there already: an analysis is a hundred times as large."""
    return {
        "schema": "taptest.analysis/1",
        "recordings": recordings,
        "calibrations": [citation_document(citation) for citation in calibrations],
    }


def check_document(result: CheckResult, explained: Explanation | None = None) -> Document:
    """``taptest.check/1``: skis in the order of the table; one of them with its ladder beside the group's."""
    return {
        "schema": "taptest.check/1",
        "skis": [_verdict(ski) for ski in result.skis],
        "groups": [_group(group) for group in result.groups],
        "problems": [problem_of(problem) for problem in result.problems],
        "unread": list(result.unread),
        "notes": list(result.notes),
        "calibrations": [citation_document(citation) for citation in result.calibrations],
        "budget_share": number_of(result.budget),
        "explained": None if explained is None else _explained(explained),
    }


def prediction_document(result: LotPrediction, problems: Iterable[CellProblem] = ()) -> Document:
    """``taptest.prediction/1``: skis in the order of the table, modes by order."""
    return {
        "schema": "taptest.prediction/1",
        "skis": [_prediction(ski) for ski in result.skis],
        "problems": [problem_of(problem) for problem in problems],
        "unread": list(result.refused),
    }


def citation_document(citation: Citation) -> Document:
    """A calibration that a result rests on."""
    return {
        "kind": citation.kind,
        "made": citation.made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "age_days": number_of(citation.age_days),
        "file": citation.file,
        "effect": citation.effect,
    }


def session_document(happenings: Iterable[Happening]) -> Document:
    """``taptest.session/1``: skis in the order in which they were done."""
    told = list(happenings)
    refused = Counter(each.ski_id for each in told if isinstance(each, TapRefused))
    skis: list[Document] = []
    for each in told:
        if isinstance(each, SkiDone):
            verdict = each.verdict
            known = verdict if isinstance(verdict, SkiVerdict) else None
            skis.append(
                {
                    "ski_id": each.ski_id,
                    "recordings": [path.name for path in each.recordings],
                    "taps_good": each.taps,
                    "taps_refused": refused[each.ski_id],
                    "modes": [_mode(mode) for mode in each.modes],
                    "predicted_hz": number_of(known.predicted_hz) if known else None,
                    "measured_hz": number_of(known.measured_hz) if known else None,
                    "measured_u_hz": number_of(known.measured_u_hz) if known else None,
                    "deviation_percent": number_of(known.deviation_percent) if known else None,
                    "verdict": verdict.verdict if verdict else None,
                    "reasons": list(verdict.reasons) if verdict else [],
                }
            )
    ended = [each for each in told if isinstance(each, Ended)]
    return {
        "schema": "taptest.session/1",
        "skis": skis,
        "unfinished": [{"ski_id": ski_id, "taps_good": taps} for each in ended for ski_id, taps in each.unfinished],
        "troubles": [
            each.text if isinstance(each, Said) else each.why
            for each in told
            if isinstance(each, Said | TapLost) and each.trouble
        ],
    }


def devices_document(inputs: Iterable[InputDevice], check: InputCheck | None, system: str) -> Document:
    """``taptest.devices/1``: inputs in the order of the system; ``check`` is null unless one was listened to."""
    return {
        "schema": "taptest.devices/1",
        "system": system,
        "inputs": [
            {
                "number": device.number,
                "name": device.name,
                "host": device.host,
                "channels": device.channels,
                "sample_rate_hz": device.sample_rate_hz,
                "used": device.chosen,
                "warnings": list(device.warnings),
            }
            for device in inputs
        ],
        "check": None if check is None else _heard(check),
    }


def _heard(check: InputCheck) -> Document:
    return {
        "name": check.device,
        "sample_rate_hz": check.sample_rate_hz,
        "channels": check.channels,
        "duration_s": number_of(check.duration_s),
        "noise_db": number_of(check.noise_db),
        "hum_hz": number_of(check.hum.fundamental_hz) if check.hum else None,
        "hum_db": number_of(max(check.hum.levels_db)) if check.hum else None,
        "peak_db": number_of(check.peak_db),
        "headroom_db": number_of(check.headroom_db),
        "clipped_samples": check.clipped,
        "zero_percent": number_of(100 * check.zero_share),
        "lost_frames": check.lost_frames,
        "sounds": check.sounds,
        "processing": check.processing,
        "findings": list(check.findings),
    }


def programme_document(programme: Programme, saved: str | None = None) -> Document:
    """``taptest.play/1``: sounds in the order in which they are heard."""
    return {
        "schema": "taptest.play/1",
        "sample_rate_hz": programme.sample_rate_hz,
        "octaves_up": programme.wishes.octaves_up,
        "keep_decay_time": programme.wishes.keep_decay_time,
        "peak_dbfs": number_of(programme.peak_dbfs) if programme.pieces else None,
        "saved": saved if programme.pieces else None,
        "sounds": [
            _piece(piece, begins_s, programme.sample_rate_hz)
            for piece, begins_s in zip(programme.pieces, programme.begins_s(), strict=True)
        ],
        "unread": list(programme.refused),
    }


def _piece(piece: Piece, begins_s: float, sample_rate_hz: int) -> Document:
    return {
        "name": piece.name,
        "recording": piece.path,
        "kind": piece.kind,
        "onset_s": number_of(piece.onset_s),
        "begins_s": number_of(begins_s),
        "duration_s": number_of(len(piece.samples) / sample_rate_hz),
        "lowest_hz": None if piece.lowest is None else number_of(piece.lowest.frequency_hz),
        "strongest_hz": None if piece.strongest is None else number_of(piece.strongest.frequency_hz),
        "modes": len(piece.heard),
        "modes_left_out": piece.left_out,
        "gain_db": number_of(piece.gain_db),
        "quieter_db": number_of(piece.quieter_db),
    }


def problem_of(problem: CellProblem) -> Document:
    """A bad cell of a table."""
    return {
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "value": problem.value,
        "problem": problem.problem,
        "remedy": problem.remedy,
    }


def number_of(value: float | None) -> float | None:
    """Nine significant digits: more than any measurement, and free of the noise of binary fractions."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.{_DIGITS}g}")


def recording_document(analysis: Analysis) -> Document:
    """One recording, as in ``taptest.analysis/1``."""
    hum = None if analysis.noise is None else analysis.noise.hum
    return {
        "path": analysis.path,
        "sample_rate_hz": analysis.sample_rate_hz
        if analysis.pickup is None
        else number_of(analysis.pickup.sample_rate_hz),
        "duration_s": number_of(analysis.duration_s),
        "channel": analysis.channel,
        "channels": analysis.channels,
        "hum_hz": [] if hum is None else [number_of(line) for line in hum.lines_hz],
        "taps": [_tap(tap, analysis.sample_rate_hz) for tap in analysis.taps],
        "modes": [_mode(mode) for mode in sorted(analysis.modes, key=lambda mode: mode.frequency_hz)],
        "flags": list(analysis.flags),
        "pickup": None if analysis.pickup is None else _pickup(analysis.pickup.channels[analysis.channel - 1]),
    }


def _pickup(channel: PickupChannel) -> Document:
    return {
        "name": shown(channel.name, 80),
        "quantity": channel.quantity,
        "unit": channel.unit or None,
        "full_scale": number_of(channel.full_scale),
        "offset": number_of(channel.offset),
    }


def _tap(tap: Tap, sample_rate_hz: float) -> Document:
    return {
        "onset_s": number_of(tap.onset / sample_rate_hz),
        "accepted": tap.accepted,
        "reasons": list(tap.reasons),
        "snr_db": number_of(tap.snr_db),
        "ring_s": number_of(tap.ring_s),
    }


def _mode(mode: Mode) -> Document:
    name, cents = mode.tone
    return {
        "frequency_hz": number_of(mode.frequency_hz),
        "frequency_u_hz": number_of(mode.frequency_u_hz),
        "damping_ratio": number_of(mode.damping_ratio),
        "damping_ratio_u": number_of(mode.damping_ratio_u),
        "damping_ratio_limit": number_of(mode.damping_ratio_limit),
        "half_power_bandwidth_hz": number_of(mode.half_power_bandwidth_hz),
        "quality_factor": number_of(mode.quality_factor),
        "decay_time_s": number_of(mode.decay_time_s),
        "level_db": number_of(mode.level_db),
        "taps": mode.taps,
        "note": name,
        "cents": number_of(cents),
        "flags": list(mode.flags),
    }


def _verdict(ski: SkiVerdict) -> Document:
    return {
        "ski_id": ski.ski_id,
        "pair_id": ski.pair_id,
        "construction": ski.construction,
        "generation": ski.generation,
        "line": ski.line,
        "mass_g": number_of(ski.mass_g),
        "stiffness_n_per_mm": number_of(ski.stiffness_n_per_mm),
        "span_mm": number_of(ski.span_mm),
        "predicted_hz": number_of(ski.predicted_hz),
        "predicted_u_hz": number_of(ski.predicted_u_hz),
        "measured_hz": number_of(ski.measured_hz),
        "measured_u_hz": number_of(ski.measured_u_hz),
        "first_heard": ski.first_heard,
        "deviation_percent": number_of(ski.deviation_percent),
        "deviation_u_percent": number_of(ski.deviation_u_percent),
        "damping_ratio": number_of(ski.damping_ratio),
        "damping_ratio_u": number_of(ski.damping_ratio_u),
        "shift_percent": number_of(ski.shift_percent),
        "shift_u_percent": number_of(ski.shift_u_percent),
        "shift_limit_percent": number_of(ski.shift_limit_percent),
        "unevenness": number_of(ski.unevenness),
        "score": number_of(ski.score),
        "taps_good": ski.taps_good,
        "taps_found": ski.taps_found,
        "group": ski.group,
        "modes": [_placed(mode) for mode in sorted(ski.modes, key=lambda mode: mode.frequency_hz)],
        "verdict": ski.verdict,
        "reasons": list(ski.reasons),
        "statistics": [
            {
                "name": each.name,
                "unit": each.unit,
                "value": number_of(each.value),
                "limit": number_of(each.limit),
                "u": number_of(each.u),
                "score": number_of(each.score),
                "suspicious": each.suspicious,
                "may_reject": each.may_reject,
                "rank": each.rank,
                "count": each.count,
            }
            for each in ski.statistics
        ],
    }


def _explained(explained: Explanation) -> Document:
    return {
        "ski_id": explained.ski.ski_id,
        "modes": [
            {
                "order": mode.order,
                "frequency_hz": number_of(mode.frequency_hz),
                "frequency_u_hz": number_of(mode.frequency_u_hz),
                "predicted_hz": number_of(mode.predicted_hz),
                "deviation_percent": number_of(mode.deviation_percent),
                "group_percent": number_of(mode.group_percent),
                "against_percent": number_of(mode.against_percent),
                "damping_ratio": number_of(mode.damping_ratio),
                "damping_ratio_limit": number_of(mode.damping_ratio_limit),
                "group_damping_ratio": number_of(mode.damping_group),
            }
            for mode in explained.modes
        ],
    }


def _placed(mode: PlacedMode) -> Document:
    return {
        "family": mode.family,
        "order": mode.order,
        "frequency_hz": number_of(mode.frequency_hz),
        "frequency_u_hz": number_of(mode.frequency_u_hz),
        "predicted_hz": number_of(mode.predicted_hz),
        "deviation_percent": number_of(mode.deviation_percent),
        "damping_ratio": number_of(mode.damping_ratio),
        "damping_ratio_u": number_of(mode.damping_ratio_u),
        "damping_ratio_limit": number_of(mode.damping_ratio_limit),
        "flags": list(mode.flags),
    }


def _group(group: GroupSummary) -> Document:
    return {
        "construction": group.construction,
        "length_class": group.length_class,
        "binding": group.binding,
        "count": group.count,
        "centre_percent": number_of(group.centre_percent),
        "spread_percent": number_of(group.spread_percent),
        "limit_percent": number_of(group.limit_percent),
        "basis": group.basis,
        "ski_ids": list(group.ski_ids),
        "two_populations": group.populations
        and {
            "quantity": group.populations.quantity,
            "apart_percent": number_of(group.populations.apart_percent),
            "smaller": list(group.populations.smaller),
            "smaller_is_lower": group.populations.smaller_is_lower,
            "larger_count": group.populations.larger,
        },
    }


def _prediction(ski: PredictedSki) -> Document:
    prediction, effect = ski.prediction, ski.effect
    bending = [
        {
            "order": order,
            "frequency_hz": number_of(frequency_hz),
            "frequency_u_hz": number_of(prediction.u_hz(order)),
            **_tone(frequency_hz),
        }
        for order, frequency_hz in enumerate(prediction.bending_hz, 1)
    ]
    torsion = prediction.torsion_hz and [
        {"order": order, "frequency_hz": number_of(frequency_hz), **_tone(frequency_hz)}
        for order, frequency_hz in enumerate(prediction.torsion_hz, 1)
    ]
    return {
        "ski_id": ski.ski_id,
        "construction": ski.construction.stem,
        "length_mm": number_of(1e3 * ski.measurements.length_m),
        "mass_g": number_of(1e3 * ski.measurements.mass_kg),
        "stiffness_n_per_mm": number_of(1e-3 * ski.measurements.stiffness_n_per_m),
        "span_mm": number_of(1e3 * ski.measurements.span_m),
        "bending_stiffness_mid_n_m2": number_of(prediction.ei_mid_n_m2),
        "bending": bending,
        "torsion": torsion,
        "change": effect
        and {
            "mass_percent": number_of(ski.change.mass_percent),
            "stiffness_percent": number_of(ski.change.stiffness_percent),
            "frequency_hz": [number_of(frequency_hz) for frequency_hz in effect.after.bending_hz],
            "frequency_percent": [number_of(percent) for percent in effect.percent],
            "cents": [number_of(cents) for cents in effect.cents],
        },
        "warnings": list(ski.warnings),
    }


def _tone(frequency_hz: float) -> Document:
    name, cents = note_name(frequency_hz)
    return {"note": name, "cents": number_of(cents)}
