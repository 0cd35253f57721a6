"""One pair on one page, for whoever is handed the skis."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from markupsafe import Markup

from taptest.core.errors import ReportError, shown
from taptest.core.version import VERSION
from taptest.identify.ladder import PlacedMode
from taptest.identify.measure import MeasuredSki
from taptest.identify.measured_lot import MeasuredLot
from taptest.pairs.limits import PairLimits, Quantity
from taptest.pairs.pairs import judge_pairs
from taptest.pairs.verdict import CENTS, Difference, Pair
from taptest.present.html.page import environment, figure, figure_u, frame
from taptest.present.html.report import ReportSettings, day_of, numbered, replacing
from taptest.present.json.documents import check_document
from taptest.present.plots.plots import BAND, GOOD, SOFT, Picture, dress, new_figure, plain_ticks, style, to_svg
from taptest.present.text.citation import dated
from taptest.present.text.pairs_table import limits_in_words
from taptest.present.text.tables import note, with_u
from taptest.screen.check import check_measured
from taptest.signal.pitch import note_name

_SIDES = {"L": "left", "R": "right"}


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
    of_pair = replace(measured, skis=members)
    (pair,) = judge_pairs(of_pair, limits=limits).pairs
    result = check_measured(measured)
    document: dict[str, Any] = check_document(result)
    by_line = {ski["line"]: ski for ski in numbered(document["skis"])}
    skis = [{**by_line[ski.row.line], "side": _SIDES.get(ski.row.side or "")} for ski in (pair.first, pair.second)]
    with style():
        picture = tone_picture(pair)
    html = (
        environment()
        .get_template("sheet.html")
        .render(
            **frame(f"Pair {shown(pair_id)}", scripted=False),
            pair_id=pair_id,
            name=shown(measured.lot.path.name, 100),
            made_on=day_of(how),
            match=pair,
            skis=skis,
            facts=_facts(pair),
            lines=_lines(pair, skis),
            limits=limits_in_words(limits),
            tone_picture=picture,
            notes=[(ski.row.ski_id, ski.row.note) for ski in (pair.first, pair.second) if ski.row.note],
            calibrations=[dated(each) for each in result.calibrations],
            version=VERSION,
        )
    )
    with replacing(path) as page:
        page.write(html)
    return pair


def members_of(measured: MeasuredLot, pair_id: str) -> tuple[MeasuredSki, ...]:
    """The two skis that the table has under a pair id.

    Raises:
        ReportError: none, one or more than two.
    """
    members = tuple(ski for ski in measured.skis if ski.row.pair_id == pair_id)
    if len(members) == 2:
        return members
    file = shown(measured.lot.path.name, 100)
    if members:
        ids = ", ".join(shown(ski.row.ski_id) for ski in members[:5])
        raise ReportError(
            f"{file}: pair {shown(pair_id)} has {len(members)} readable ski{'' if len(members) == 1 else 's'} ({ids}); "
            "a sheet needs two: correct pair_id in the table"
        )
    known = sorted({ski.row.pair_id for ski in measured.skis if ski.row.pair_id is not None})
    near = difflib.get_close_matches(pair_id, known, n=3, cutoff=0.4) or known[:5]
    hint = f"there are {', '.join(map(shown, near))}" if near else "its column pair_id is empty"
    raise ReportError(f"{file}: has no pair {shown(pair_id)}; {hint}")


def tone_picture(pair: Pair) -> Picture | None:
    """Second ski against first, mode by mode; None where they share no mode."""
    one, other = (_by_order(ski) for ski in (pair.first, pair.second))
    orders = sorted(one.keys() & other.keys())
    if not orders:
        return None
    off = [100 * (other[n].frequency_hz / one[n].frequency_hz - 1) for n in orders]
    u = [100 * _u(one[n], other[n]) for n in orders]
    figure = new_figure(190)
    axes = dress(figure.add_subplot(), x="bending mode", y="second against first, %", grid="y")
    axes.axhspan(-1, 1, color=BAND, lw=0)
    axes.axhline(0, color=SOFT, lw=0.9)
    axes.errorbar(orders, off, yerr=u, color=GOOD, marker="o", ms=4.5, lw=1.2, elinewidth=0.9)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, -1.5), max(high, 1.5))
    plain_ticks(axes, "x", [float(n) for n in orders])
    words = ", ".join(f"mode {n} {value:+.1f} percent" for n, value in zip(orders, off, strict=True))
    alt = f"The second ski against the first, mode by mode: {words}. The band is one percent either way."
    return Picture(to_svg(figure, alt, name="pair"), alt)


def _u(one: PlacedMode, other: PlacedMode) -> float:
    return float(
        ((one.frequency_u_hz / one.frequency_hz) ** 2 + (other.frequency_u_hz / other.frequency_hz) ** 2) ** 0.5
    )


def _by_order(ski: MeasuredSki) -> dict[int, PlacedMode]:
    found = ski.identification
    if found is None or found.ambiguous:
        return {}
    return {mode.order: mode for mode in found.bending() if mode.order is not None}


def _facts(pair: Pair) -> list[str]:
    """What both share, or have each: construction, generation, length."""
    rows = (pair.first.row, pair.second.row)
    facts = []
    for values in (
        [shown(row.construction, 60) for row in rows],
        [f"generation {shown(row.generation)}" if row.generation else "" for row in rows],
        [f"{1000 * row.length_m:.0f} mm" if row.length_m else "" for row in rows],
    ):
        facts += [each for each in dict.fromkeys(values) if each]
    return facts


def _lines(pair: Pair, skis: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    def line(
        name: str, cells: Sequence[Any], quantity: Quantity | None = None, *, keyed: bool = True
    ) -> dict[str, Any]:
        found = pair.difference(quantity) if quantity else None
        return {
            "name": name,
            "cells": cells,
            "keyed": keyed,
            "difference": "" if found is None else _difference(found),
            "verdict": None if found is None else found.verdict,
        }

    rows = (pair.first.row, pair.second.row)
    balance = ["-" if row.balance_m is None else f"{1000 * row.balance_m:.0f}" for row in rows]
    at = [Markup("{} at {} mm").format(figure(s, "stiffness_n_per_mm", 2), figure(s, "span_mm", 0)) for s in skis]
    lines = [
        line("mass, g", [figure(ski, "mass_g", 0) for ski in skis], "mass"),
        line("stiffness, N/mm", at, "stiffness"),
        line("tone predicted, Hz", [figure_u(ski, "predicted_hz", "predicted_u_hz", 1) for ski in skis]),
        line("tone heard, Hz", [figure_u(ski, "measured_hz", "measured_u_hz", 1) for ski in skis], "frequency"),
        line("note and cents", [_note(ski["measured_hz"]) for ski in skis], keyed=False),
        line("damping, %", [figure_u(s, "damping_ratio", "damping_ratio_u", 2, scale=100) for s in skis], "damping"),
        line(
            "taps used", [Markup("{}/{}").format(figure(s, "taps_good", 0), figure(s, "taps_found", 0)) for s in skis]
        ),
    ]
    return (
        [*lines, line("balance point, mm", balance, "balance", keyed=False)]
        if any(r.balance_m for r in rows)
        else lines
    )


def _note(frequency_hz: float | None) -> str:
    return "-" if frequency_hz is None else note(note_name(frequency_hz))


def _difference(found: Difference) -> str:
    if found.quantity == "mass":
        return f"{with_u(1000 * found.value, 1000 * found.u, 0, sign=True)} g"
    if found.quantity == "balance":
        return f"{with_u(1000 * found.value, 1000 * found.u, 0, sign=True)} mm"
    text = f"{with_u(found.percent, found.percent_u, 1, sign=True)} %"
    return f"{text}, {CENTS * found.value:+.0f} cents" if found.quantity == "frequency" else text
