"""Results of calibrations as the documents of their ``--json`` contracts."""

from pathlib import Path

from taptest.calibrate.bar import BarResult
from taptest.calibrate.construction import LearnedConstruction
from taptest.calibrate.room import RoomResult
from taptest.calibrate.suspension import LoopBias, SuspensionAdvice

Document = dict[str, object]


def room_document(result: RoomResult, stored: Path | None) -> Document:
    """``taptest.room/1``: the values as stored, and where."""
    return {
        "schema": "taptest.room/1",
        "recordings": list(result.recordings),
        **result.values(),
        "stored": None if stored is None else str(stored),
        "unread": list(result.unread),
    }


def bar_document(result: BarResult, stored: Path | None) -> Document:
    """``taptest.bar_result/1``: the values as stored, and where."""
    return {
        "schema": "taptest.bar_result/1",
        "recordings": list(result.recordings),
        **result.values(),
        "stored": None if stored is None else str(stored),
        "unread": list(result.unread),
    }


def suspension_document(advice: SuspensionAdvice) -> Document:
    """``taptest.suspension/1``: places from the tail in mm, and what loops do to each mode."""
    return {
        "schema": "taptest.suspension/1",
        "length_mm": _mm(advice.length_m),
        "balance_mm": _mm(advice.balance_m),
        "first_hz": round(advice.first_hz, 4),
        "first_assumed": advice.first_assumed,
        "bounce_hz": round(advice.bounce.frequency_hz, 4),
        "bounce_damping_ratio": round(advice.bounce.damping_ratio, 6),
        "bounce_seen": advice.bounce.seen,
        "nodes_mm": [_mm(place) for place in advice.nodes_m],
        "compromise_mm": [_mm(place) for place in advice.spread_m],
        "loops_mm": [_mm(place) for place in advice.loops_m],
        "tail_load_share": round(advice.tail_load, 5),
        "modes": [_bias(bias) for bias in advice.biases],
        "compromise_modes": [_bias(bias) for bias in advice.spread_biases],
        "misplaced": [
            {
                "off_mm": _mm(each.off_m),
                "shift_percent": float(f"{100 * each.shift_rel:.6g}"),
                "damping_added": float(f"{each.damping_added:.6g}"),
            }
            for each in advice.misplaced
        ],
        "notes": list(advice.notes),
    }


def _bias(bias: LoopBias) -> Document:
    return {
        "order": bias.order,
        "frequency_hz": round(bias.frequency_hz, 4),
        "shift_percent": float(f"{100 * bias.shift_rel:.6g}"),
        "damping_added": float(f"{bias.damping_added:.6g}"),
    }


def _mm(metres: float) -> float:
    return round(1000 * metres, 2)


def construction_document(result: LearnedConstruction, written: Path, stored: Path | None) -> Document:
    """``taptest.learned-construction/1``: how well the file that was ``written`` predicts, and what it was learnt from."""
    return {
        "schema": "taptest.learned-construction/1",
        "construction": str(written),
        "lots": list(result.lots),
        **result.values(),
        "stored": None if stored is None else str(stored),
    }
