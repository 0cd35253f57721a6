"""One pair on one page, for whoever is handed the skis."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from taptest.core.errors import ReportError, shown
from taptest.core.fields import Field, by_key
from taptest.core.version import VERSION
from taptest.identify.measured_lot import MeasuredLot
from taptest.pairing.limits import UNIT_OF, PairLimits, Quantity
from taptest.pairing.pairs import judge_pairs
from taptest.pairing.verdict import CENTS, Difference, Pair
from taptest.present.html.files import replacing
from taptest.present.html.page import render
from taptest.present.html.report import ReportSettings, numbered
from taptest.present.html.ski_section import SIDES
from taptest.present.json.documents import check_document
from taptest.present.plots.pairs import plot_pair
from taptest.present.plots.picture import picture
from taptest.present.plots.style import style
from taptest.present.text.citation import dated
from taptest.present.text.pairs_table import limits_in_words
from taptest.present.text.tables import note, with_u
from taptest.screen.check import check_measured
from taptest.signal.pitch import note_name
from taptest.ski.fields import SKI_FIELDS
from taptest.ski.record import Ski

_COMPARED: dict[str, Quantity] = {
    "mass_g": "mass",
    "stiffness_n_per_mm": "stiffness",
    "measured_hz": "frequency",
    "damping_ratio": "damping",
}
_ROWS = {
    "mass_g": "mass, g",
    "stiffness_n_per_mm": "stiffness, N/mm",
    "predicted_hz": "predicted, Hz",
    "measured_hz": "first mode, Hz",
    "damping_ratio": "damping, %",
    "taps_good": "taps used",
}


def write_sheet(
    path: str | Path,
    measured: MeasuredLot,
    pair_id: str,
    how: ReportSettings,
    *,
    limits: PairLimits | None = None,
) -> Pair:
    """Write the page of one pair of a measured lot, and return how it matches.

    Both skis are judged within the whole lot, as `check` does it.

    Raises:
        ReportError: the table names no such pair, or not exactly two skis under it, or the page cannot be written.
    """
    limits = limits or PairLimits()
    members = members_of(measured, pair_id)
    (pair,) = judge_pairs(replace(measured, skis=members), limits=limits).pairs
    result = check_measured(measured)
    document: dict[str, Any] = check_document(result)
    by_line = {ski["line"]: ski for ski in numbered(document["skis"])}
    both = (pair.first, pair.second)
    skis = [{**by_line[ski.facts.line], "side": SIDES.get(ski.facts.side or "")} for ski in both]
    with style():
        tones = picture(plot_pair(pair), "pair")
    html = render(
        "sheet.html",
        f"Pair {shown(pair_id)}",
        scripted=False,
        pair_id=pair_id,
        name=shown(measured.lot.path.name, 100),
        made_on=how.day,
        match=pair,
        skis=skis,
        facts=_facts(both),
        lines=_lines(pair, skis),
        limits=limits_in_words(limits),
        tones_picture=tones,
        notes=[(ski.facts.ski_id, ski.facts.note) for ski in both if ski.facts.note],
        calibrations=[dated(each) for each in result.calibrations],
        version=VERSION,
    )
    with replacing(path) as page:
        page.write(html)
    return pair


def members_of(measured: MeasuredLot, pair_id: str) -> tuple[Ski, ...]:
    """The two skis that the table has under a pair id.

    Raises:
        ReportError: none, one or more than two.
    """
    members = tuple(ski for ski in measured.skis if ski.facts.pair_id == pair_id)
    if len(members) == 2:
        return members
    file = shown(measured.lot.path.name, 100)
    if members:
        ids = ", ".join(shown(ski.facts.ski_id) for ski in members[:5])
        raise ReportError(
            f"{file}: pair {shown(pair_id)} has {len(members)} readable ski{'' if len(members) == 1 else 's'} ({ids}); "
            "a sheet needs two: correct pair_id in the table"
        )
    known = sorted({ski.facts.pair_id for ski in measured.skis if ski.facts.pair_id is not None})
    near = difflib.get_close_matches(pair_id, known, n=3, cutoff=0.4) or known[:5]
    hint = f"there are {', '.join(map(shown, near))}" if near else "its column pair_id is empty"
    raise ReportError(f"{file}: has no pair {shown(pair_id)}; {hint}")


def _facts(both: Sequence[Ski]) -> list[str]:
    """What both share, or have each: construction, generation, length."""
    facts = [shown(ski.facts.construction, 60) for ski in both]
    facts += [f"generation {shown(ski.facts.generation)}" for ski in both if ski.facts.generation]
    facts += [f"{1000 * ski.facts.length_m:.0f} mm" for ski in both if ski.facts.length_m]
    return list(dict.fromkeys(facts))


def _lines(pair: Pair, skis: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Lines of the table: a `Field` for numbers of the document, otherwise the texts of both skis."""
    columns = by_key(SKI_FIELDS)
    columns["damping_ratio"] = replace(columns["damping_ratio"], u="damping_ratio_u")
    lines = [_line(pair, name, columns[key], (), _COMPARED.get(key)) for key, name in _ROWS.items()]
    notes = ["-" if ski["measured_hz"] is None else note(note_name(ski["measured_hz"])) for ski in skis]
    lines.insert(4, _line(pair, "note and cents", None, notes))
    balance = [ski.facts.balance_m for ski in (pair.first, pair.second)]
    if any(balance):
        texts = ["-" if each is None else f"{1000 * each:.0f}" for each in balance]
        lines.append(_line(pair, "balance point, mm", None, texts, "balance"))
    return lines


def _line(
    pair: Pair, name: str, column: Field[Ski] | None, texts: Sequence[str], quantity: Quantity | None = None
) -> dict[str, Any]:
    found = None if quantity is None else pair.difference(quantity)
    return {
        "name": name,
        "column": column,
        "texts": texts,
        "difference": "" if found is None else _difference(found),
        "verdict": None if found is None else found.verdict,
    }


def _difference(found: Difference) -> str:
    if found.quantity in ("mass", "balance"):
        unit = UNIT_OF[found.quantity]
        return f"{with_u(found.value / unit.base, found.u / unit.base, 0, sign=True)} {unit.symbol}"
    text = f"{with_u(found.percent, found.percent_u, 1, sign=True)} %"
    return f"{text}, {CENTS * found.value:+.0f} cents" if found.quantity == "frequency" else text
