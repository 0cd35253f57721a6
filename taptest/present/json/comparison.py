"""A comparison as the document of ``compare --json``."""

from math import expm1

from taptest.compare.compare import Comparison, Contrast, GroupFigures, PartShift, Section
from taptest.compare.figures import PLAIN, Figure
from taptest.core.fields import number_of
from taptest.pairs.verdict import CENTS
from taptest.present.json.documents import Document, citation_document, problem_of
from taptest.signal.pitch import note_name
from taptest.stats.permutation import Shift

# The key of each figure, and the size of its unit in SI.
KEYS: dict[Figure, tuple[str, float]] = {
    "mass": ("mass_g", 1e-3),
    "stiffness": ("stiffness_n_per_mm", 1e3),
    "section_stiffness": ("section_stiffness_n_m2", 1.0),
    "specific_stiffness": ("specific_stiffness_n_m3_per_kg", 1.0),
    "first_mode": ("first_mode_hz", 1.0),
    "first_mode_at_length": ("first_mode_at_length_hz", 1.0),
    "damping": ("damping_ratio", 1.0),
    "swing_inertia": ("swing_inertia_kg_m2", 1.0),
    "balance": ("balance_percent", 1e-2),
}


def comparison_document(result: Comparison) -> Document:
    """``taptest.compare/1``: sections in the order of the tables; the last sums up where there are several."""
    return {
        "schema": "taptest.compare/1",
        "by": result.by,
        "length_mm": number_of(1000 * result.length_m),
        "skis": result.skis,
        "sections": [_section(section) for section in result.sections],
        "problems": [problem_of(problem) for problem in result.problems],
        "unread": list(result.unread),
        "notes": list(result.notes),
        "calibrations": [citation_document(citation) for citation in result.calibrations],
    }


def _section(section: Section) -> Document:
    return {
        "stratum": section.stratum if section.groups else None,
        "groups": [_group(group) for group in section.groups],
        "contrasts": [_contrast(contrast) for contrast in section.contrasts],
    }


def _group(group: GroupFigures) -> Document:
    figures: Document = {}
    for figure, (key, size) in KEYS.items():
        spread = group.figures.get(figure)
        figures[key] = spread and {
            "mean": number_of(spread.mean / size),
            "deviation": number_of(None if spread.deviation is None else spread.deviation / size),
            "units": spread.count,
        }
    first, loudest = group.figures.get("first_mode"), group.loudest
    return {
        "name": group.name,
        "skis": group.skis,
        "units": group.units,
        "heard": group.heard,
        "shortest_mm": number_of(None if group.lengths_m is None else 1000 * group.lengths_m[0]),
        "longest_mm": number_of(None if group.lengths_m is None else 1000 * group.lengths_m[1]),
        "figures": figures,
        "first_mode_tone": None if first is None else _tone(first.mean),
        "loudest": loudest
        and {
            "family": loudest.family,
            "order": loudest.order,
            "frequency_hz": number_of(loudest.frequency_hz),
            **_tone(loudest.frequency_hz),
            "loudest_in": loudest.count,
            "skis": loudest.skis,
        },
        "tip_factor": number_of(group.swing_tip),
    }


def _contrast(contrast: Contrast) -> Document:
    return {
        "group": contrast.group,
        "against": contrast.against,
        "differences": [
            {
                "figure": each.figure,
                **_shift(each.shift, plain=each.figure in PLAIN),
                "p_holm": number_of(each.p_holm),
                "word": each.word,
            }
            for each in contrast.shifts
        ],
        "shape_u_percent": number_of(None if contrast.shape_u is None else 100 * contrast.shape_u),
        "first_mode_parts": [_part(each) for each in contrast.parts],
    }


def _part(each: PartShift) -> Document:
    return {"part": each.part, **_shift(each.shift, plain=False)}


def _shift(moved: Shift, *, plain: bool) -> Document:
    """In percent of the other group (plain ones in percent of the length); cents only where that is a ratio."""
    document: Document = {}
    for key, value in (("difference", moved.difference), ("low", moved.low), ("high", moved.high)):
        percent = None if value is None else 100 * (value if plain else expm1(value))
        document[f"{key}_percent"] = number_of(percent)
        document[f"{key}_cents"] = None if plain or value is None else number_of(CENTS * value)
    return {
        **document,
        "confidence": number_of(moved.confidence),
        "p_value": number_of(moved.p_value),
        "exact": moved.exact,
        "effect_hedges_g": number_of(moved.effect),
        "superiority": number_of(moved.superiority),
        "units": moved.count_second,
        "units_against": moved.count_first,
    }


def _tone(frequency_hz: float) -> Document:
    tone, cents = note_name(frequency_hz)
    return {"note": tone, "cents": number_of(cents)}
