"""Studies and charts as the documents of their ``--json`` contracts."""

from pathlib import Path

from taptest.calibrate.drift import Chart, Drift, ReferencePoint
from taptest.calibrate.study import StudyResult
from taptest.calibrate.temperature import TemperatureStudy

Document = dict[str, object]


def repeatability_document(result: StudyResult, stored: Path | None) -> Document:
    """``taptest.repeatability/1``: the values as stored, and where."""
    return {
        "schema": "taptest.repeatability/1",
        "study": result.path,
        **result.values(),
        "stored": _path(stored),
        "problems": list(result.problems),
    }


def temperature_document(result: TemperatureStudy, stored: Path | None) -> Document:
    """``taptest.temperature/1``: the values as stored, and where."""
    problems = [str(problem) for problem in result.problems]
    return {
        "schema": "taptest.temperature/1",
        "study": result.path,
        **result.values(),
        "stored": _path(stored),
        "problems": problems,
    }


def drift_document(drift: Drift, stored: Path | None) -> Document:
    """``taptest.drift/1``: points in order of time, each with what rules it breaks, and the limits."""
    return {
        "schema": "taptest.drift/1",
        "reference": drift.reference,
        "state": drift.state,
        "points": [_point(drift, i, point) for i, point in enumerate(drift.points)],
        "frequency_limits": _limits(drift.frequency),
        "damping_limits": _limits(drift.damping),
        "notes": list(drift.notes),
        "stored": _path(stored),
    }


def _point(drift: Drift, i: int, point: ReferencePoint) -> Document:
    return {
        "at": point.at.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "temperature_c": point.temperature_c,
        "frequency_percent": drift.frequency.values[i],
        "damping_percent": drift.damping.values[i],
        "broken_rules": sorted({*drift.frequency.broken[i], *drift.damping.broken[i]}),
    }


def _limits(chart: Chart) -> Document:
    return {
        "centre_percent": chart.centre,
        "low_percent": chart.low,
        "high_percent": chart.high,
        "moving_range_percent": chart.range_limit,
    }


def _path(stored: Path | None) -> str | None:
    return None if stored is None else str(stored)
