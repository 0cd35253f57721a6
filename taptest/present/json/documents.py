"""Result objects as the documents of the ``--json`` contracts: units in the keys, null where nothing is known."""

from collections.abc import Iterable
from typing import Protocol

from taptest.config.corrections import Citation
from taptest.core.fields import document_of, number_of
from taptest.core.messages import Message
from taptest.identify.predicted import LotPrediction, PredictedSki
from taptest.present.json.analysis import CITATION_FIELDS
from taptest.screen.explain import EXPLAINED_FIELDS, Explanation
from taptest.screen.result import GROUP_FIELDS, CheckResult
from taptest.signal.pitch import note_name
from taptest.ski.fields import SKI_FIELDS, sentences

Document = dict[str, object]


def check_document(result: CheckResult, explained: Explanation | None = None) -> Document:
    """``taptest.check/1``: skis in the order of the table; one of them with its ladder beside the group's."""
    return {
        "schema": "taptest.check/1",
        "skis": [document_of(SKI_FIELDS, ski) for ski in result.skis],
        "groups": [document_of(GROUP_FIELDS, group) for group in result.groups],
        **told_of(result),
        "calibrations": [citation_document(citation) for citation in result.calibrations],
        "false_alarm_rate": number_of(result.settings.false_alarm_rate),
        "explained": explained
        and {
            "ski_id": explained.ski.ski_id,
            "modes": [document_of(EXPLAINED_FIELDS, mode) for mode in explained.modes],
        },
    }


def prediction_document(result: LotPrediction, problems: Iterable[Message] = ()) -> Document:
    """``taptest.prediction/1``: skis in the order of the table, modes by order."""
    return {
        "schema": "taptest.prediction/1",
        "skis": [_prediction(ski) for ski in result.skis],
        "problems": [problem_of(problem) for problem in problems],
        "unread": list(result.refused),
    }


def ski_prediction_document(ski: PredictedSki) -> Document:
    """The same of one ski."""
    return prediction_document(LotPrediction((ski,), ()))


class _Told(Protocol):
    @property
    def problems(self) -> tuple[Message, ...]: ...
    @property
    def unread(self) -> tuple[Message, ...]: ...
    @property
    def notes(self) -> tuple[Message, ...]: ...


def told_of(result: _Told) -> Document:
    """What every document says beside its results: bad cells, inputs that could not be read, and what is good to know."""
    return {
        "problems": [problem_of(problem) for problem in result.problems],
        "unread": sentences(result.unread),
        "notes": sentences(result.notes),
    }


def citation_document(citation: Citation) -> Document:
    """A calibration that a result rests on."""
    return document_of(CITATION_FIELDS, citation)


def problem_of(problem: Message) -> Document:
    """A bad cell of a table."""
    return {
        "code": problem.code,
        "file": problem.subject.file,
        "line": problem.subject.line,
        "column": problem.subject.column,
        "value": problem.subject.value,
        "problem": problem.text,
        "remedy": problem.remedy,
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
