"""Result objects as the documents of the ``--json`` contracts: units in the keys, null where nothing is known."""

import math
from collections.abc import Iterable

from taptest.judge.lot_table import CellProblem
from taptest.judge.match import PlacedMode
from taptest.judge.predicted import LotPrediction, PredictedSki
from taptest.judge.verdict import CheckResult, GroupSummary, SkiVerdict
from taptest.listen.programme import Piece, Programme
from taptest.sound.analysis import Analysis, Mode
from taptest.sound.taps import Tap
from taptest.sound.tone import note_name

Document = dict[str, object]

_DIGITS = 9


def analysis_document(analyses: Iterable[Analysis]) -> Document:
    """``taptest.analysis/1``: taps in order of time, modes in order of frequency."""
    return {"schema": "taptest.analysis/1", "recordings": [_recording(analysis) for analysis in analyses]}


def check_document(result: CheckResult) -> Document:
    """``taptest.check/1``: skis in the order of the table."""
    return {
        "schema": "taptest.check/1",
        "skis": [_verdict(ski) for ski in result.skis],
        "groups": [_group(group) for group in result.groups],
        "problems": [_problem(problem) for problem in result.problems],
        "unread": list(result.unread),
        "notes": list(result.notes),
    }


def prediction_document(result: LotPrediction, problems: Iterable[CellProblem] = ()) -> Document:
    """``taptest.prediction/1``: skis in the order of the table, modes by order."""
    return {
        "schema": "taptest.prediction/1",
        "skis": [_prediction(ski) for ski in result.skis],
        "problems": [_problem(problem) for problem in problems],
        "unread": list(result.refused),
    }


def programme_document(programme: Programme, saved: str | None = None) -> Document:
    """``taptest.play/1``: sounds in the order in which they are heard."""
    return {
        "schema": "taptest.play/1",
        "sample_rate_hz": programme.sample_rate_hz,
        "octaves_up": programme.wishes.octaves_up,
        "keep_decay_time": programme.wishes.keep_decay_time,
        "peak_dbfs": _number(programme.peak_dbfs) if programme.pieces else None,
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
        "onset_s": _number(piece.onset_s),
        "begins_s": _number(begins_s),
        "duration_s": _number(len(piece.samples) / sample_rate_hz),
        "lowest_hz": None if piece.lowest is None else _number(piece.lowest.frequency_hz),
        "strongest_hz": None if piece.strongest is None else _number(piece.strongest.frequency_hz),
        "modes": len(piece.heard),
        "modes_left_out": piece.left_out,
        "gain_db": _number(piece.gain_db),
        "quieter_db": _number(piece.quieter_db),
    }


def _problem(problem: CellProblem) -> Document:
    """A bad cell of a table."""
    return {
        "file": problem.file,
        "line": problem.line,
        "column": problem.column,
        "value": problem.value,
        "problem": problem.problem,
        "remedy": problem.remedy,
    }


def _number(value: float | None) -> float | None:
    """Nine significant digits: more than any measurement, and free of the noise of binary fractions."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.{_DIGITS}g}")


def _recording(analysis: Analysis) -> Document:
    hum = None if analysis.noise is None else analysis.noise.hum
    return {
        "path": analysis.path,
        "sample_rate_hz": analysis.sample_rate_hz,
        "duration_s": _number(analysis.duration_s),
        "channel": analysis.channel,
        "channels": analysis.channels,
        "hum_hz": [] if hum is None else [_number(line) for line in hum.lines_hz],
        "taps": [_tap(tap, analysis.sample_rate_hz) for tap in analysis.taps],
        "modes": [_mode(mode) for mode in sorted(analysis.modes, key=lambda mode: mode.frequency_hz)],
        "flags": list(analysis.flags),
    }


def _tap(tap: Tap, sample_rate_hz: float) -> Document:
    return {
        "onset_s": _number(tap.onset / sample_rate_hz),
        "accepted": tap.accepted,
        "reasons": list(tap.reasons),
        "snr_db": _number(tap.snr_db),
        "ring_s": _number(tap.ring_s),
    }


def _mode(mode: Mode) -> Document:
    name, cents = mode.tone
    return {
        "frequency_hz": _number(mode.frequency_hz),
        "frequency_u_hz": _number(mode.frequency_u_hz),
        "damping_ratio": _number(mode.damping_ratio),
        "damping_ratio_u": _number(mode.damping_ratio_u),
        "half_power_bandwidth_hz": _number(mode.half_power_bandwidth_hz),
        "quality_factor": _number(mode.quality_factor),
        "decay_time_s": _number(mode.decay_time_s),
        "level_db": _number(mode.level_db),
        "taps": mode.taps,
        "note": name,
        "cents": _number(cents),
        "flags": list(mode.flags),
    }


def _verdict(ski: SkiVerdict) -> Document:
    return {
        "ski_id": ski.ski_id,
        "pair_id": ski.pair_id,
        "construction": ski.construction,
        "generation": ski.generation,
        "line": ski.line,
        "mass_g": _number(ski.mass_g),
        "stiffness_n_per_mm": _number(ski.stiffness_n_per_mm),
        "span_mm": _number(ski.span_mm),
        "predicted_hz": _number(ski.predicted_hz),
        "predicted_u_hz": _number(ski.predicted_u_hz),
        "measured_hz": _number(ski.measured_hz),
        "measured_u_hz": _number(ski.measured_u_hz),
        "first_heard": ski.first_heard,
        "deviation_percent": _number(ski.deviation_percent),
        "deviation_u_percent": _number(ski.deviation_u_percent),
        "damping_ratio": _number(ski.damping_ratio),
        "damping_ratio_u": _number(ski.damping_ratio_u),
        "shift_percent": _number(ski.shift_percent),
        "shift_u_percent": _number(ski.shift_u_percent),
        "shift_limit_percent": _number(ski.shift_limit_percent),
        "unevenness": _number(ski.unevenness),
        "score": _number(ski.score),
        "taps_good": ski.taps_good,
        "taps_found": ski.taps_found,
        "group": ski.group,
        "modes": [_placed(mode) for mode in sorted(ski.modes, key=lambda mode: mode.frequency_hz)],
        "verdict": ski.verdict,
        "reasons": list(ski.reasons),
    }


def _placed(mode: PlacedMode) -> Document:
    return {
        "family": mode.family,
        "order": mode.order,
        "frequency_hz": _number(mode.frequency_hz),
        "frequency_u_hz": _number(mode.frequency_u_hz),
        "predicted_hz": _number(mode.predicted_hz),
        "deviation_percent": _number(mode.deviation_percent),
        "damping_ratio": _number(mode.damping_ratio),
        "damping_ratio_u": _number(mode.damping_ratio_u),
        "flags": list(mode.flags),
    }


def _group(group: GroupSummary) -> Document:
    return {
        "construction": group.construction,
        "length_class": group.length_class,
        "binding": group.binding,
        "count": group.count,
        "centre_percent": _number(group.centre_percent),
        "spread_percent": _number(group.spread_percent),
        "limit_percent": _number(group.limit_percent),
        "basis": group.basis,
    }


def _prediction(ski: PredictedSki) -> Document:
    prediction, effect = ski.prediction, ski.effect
    bending = [
        {
            "order": order,
            "frequency_hz": _number(frequency_hz),
            "frequency_u_hz": _number(prediction.u_hz(order)),
            **_tone(frequency_hz),
        }
        for order, frequency_hz in enumerate(prediction.bending_hz, 1)
    ]
    torsion = prediction.torsion_hz and [
        {"order": order, "frequency_hz": _number(frequency_hz), **_tone(frequency_hz)}
        for order, frequency_hz in enumerate(prediction.torsion_hz, 1)
    ]
    return {
        "ski_id": ski.ski_id,
        "construction": ski.construction.stem,
        "length_mm": _number(1e3 * ski.measurements.length_m),
        "mass_g": _number(1e3 * ski.measurements.mass_kg),
        "stiffness_n_per_mm": _number(1e-3 * ski.measurements.stiffness_n_per_m),
        "span_mm": _number(1e3 * ski.measurements.span_m),
        "bending_stiffness_mid_n_m2": _number(prediction.ei_mid_n_m2),
        "bending": bending,
        "torsion": torsion,
        "change": effect
        and {
            "mass_percent": _number(ski.change.mass_percent),
            "stiffness_percent": _number(ski.change.stiffness_percent),
            "frequency_hz": [_number(frequency_hz) for frequency_hz in effect.after.bending_hz],
            "frequency_percent": [_number(percent) for percent in effect.percent],
            "cents": [_number(cents) for cents in effect.cents],
        },
        "warnings": list(ski.warnings),
    }


def _tone(frequency_hz: float) -> Document:
    name, cents = note_name(frequency_hz)
    return {"note": name, "cents": _number(cents)}
