"""A checked lot as one page that can be mailed, printed and listened to."""

from __future__ import annotations

import datetime
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from taptest.core.errors import shown
from taptest.core.version import VERSION
from taptest.identify.measured_lot import MeasuredLot
from taptest.present.html.files import replacing
from taptest.present.html.page import render
from taptest.present.html.ski_section import SectionJob, section
from taptest.present.json.documents import check_document
from taptest.present.plots.lot import plot_damping, plot_ladder, plot_shifts, plot_stiffness, plot_tones
from taptest.present.plots.picture import picture
from taptest.present.plots.style import style
from taptest.present.text.citation import cited
from taptest.screen.check import check_measured
from taptest.screen.result import CheckResult
from taptest.ski.record import Verdict

ORDER: tuple[Verdict, ...] = ("pass", "recheck", "outlier", "not judged")
SECTIONS = (("outlier", "Outliers to confirm"), ("recheck", "Recheck"), ("not judged", "Not judged"))
_AHEAD = 8  # sections that are being made before they are needed


@dataclass(frozen=True)
class ReportSettings:
    """How a report is made: ``audio`` with players, ``made_on`` the day that it names, ``pool`` of processes, if any."""

    audio: bool = True
    made_on: datetime.date | None = None
    pool: Executor | None = None

    @property
    def day(self) -> str:
        """The day that the page names, as 2026-11-25."""
        return (self.made_on or datetime.date.today()).isoformat()


def write_report(
    path: str | Path, measured: MeasuredLot, how: ReportSettings, *, progress: Callable[[], None] | None = None
) -> CheckResult:
    """Write the report of a measured lot (with its analyses kept), and return what it reports.

    Sections of skis are made one after the other and written at once, so the memory does not grow with the lot. The
    page appears under its name when it is complete.

    Args:
        path: where to.
        measured: skis with their analyses.
        how: settings of the check, players, date, processes.
        progress: called after every ski.

    Raises:
        ReportError: there is a file of that name that is no report, or it cannot be written.
    """
    result = check_measured(measured)
    document: dict[str, Any] = check_document(result)
    skis = numbered(document["skis"])
    groups = _groups(result)
    sections = _in_order(_jobs(measured, result, groups, skis, how), how.pool)
    with replacing(path) as page, closing(sections):
        next(sections)  # the first ones are being made while the head is
        page.write(_head(result, document, groups, skis, how))
        for html in sections:
            page.write(html)
            if progress is not None:
                progress()
        page.write(render("tail.html", "", scripted=True, version=VERSION))
    return result


def numbered(skis: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The skis of the document with their numbers, and so their modes: the page says by them which number is whose."""
    return [
        {**ski, "at": at, "modes": [{**mode, "at": n} for n, mode in enumerate(ski["modes"])]}
        for at, ski in enumerate(skis)
    ]


def _groups(result: CheckResult) -> list[list[int]]:
    """Numbers of the skis that are drawn with each group: those judged in it, and those that look like one of them."""
    facts = [ski.facts for ski in result.skis]
    return [
        [
            i
            for i, row in enumerate(facts)
            if row.construction == group.construction
            and row.length_m is not None
            and group.length_low_mm <= round(1000 * row.length_m) <= group.length_high_mm
            and (row.binding_mass_kg > 0) == group.with_binding
        ]
        for group in result.groups
    ]


def _head(
    result: CheckResult,
    document: dict[str, Any],
    groups: Sequence[Sequence[int]],
    skis: Sequence[dict[str, Any]],
    how: ReportSettings,
) -> str:
    name = shown(result.lot.path.name, 100)
    with style():
        drawn = [
            _group(f"g{at}", result, at, members, document["groups"][at], skis) for at, members in enumerate(groups)
        ]
        pictures = {
            "tones_picture": picture(plot_tones(result), "tones"),
            "shifts_picture": picture(plot_shifts(result), "shifts"),
        }
    return render(
        "head.html",
        f"Tap test: {name}",
        scripted=True,
        **pictures,
        name=name,
        made_on=how.day,
        skis=skis,
        tally={word: result.count(word) for word in ORDER},
        acts_by_verdict=[
            (title, [_act(ski) for ski in skis if ski["verdict"] == word], word) for word, title in SECTIONS
        ],
        noted=[ski for ski in skis if ski["verdict"] == "pass" and ski["reasons"]],
        troubles=[*map(str, result.problems), *result.unread, *result.notes],
        groups=drawn,
        calibrations=[cited(each) for each in result.calibrations],
        one_in=f"{1 / result.settings.false_alarm_rate:.0f}",
        audio=how.audio,
    )


def _act(ski: dict[str, Any]) -> dict[str, Any]:
    """A ski without the advice that stands once above the list."""
    said = zip(ski["reason_codes"], ski["reasons"], strict=True)
    return {**ski, "reasons": [reason for code, reason in said if code != "rehang"]}


def _group(
    name: str,
    result: CheckResult,
    at: int,
    members: Sequence[int],
    document: dict[str, Any],
    skis: Sequence[dict[str, Any]],
) -> dict[str, Any]:
    group, verdicts = result.groups[at], [result.skis[i] for i in members]
    bending = [
        (i, {mode["order"]: mode for mode in skis[i]["modes"] if mode["family"] == "bending"})
        for i in members
        if skis[i]["modes"]
    ]
    orders = sorted({order for _, modes in bending for order in modes})
    return {
        **document,
        "ladder": picture(plot_ladder(group, verdicts), f"{name}l"),
        "damping": picture(plot_damping(group, verdicts), f"{name}d"),
        "stiffness": picture(plot_stiffness(group, verdicts), f"{name}s"),
        "orders": orders,
        "rows": [(skis[i], [modes.get(order) for order in orders]) for i, modes in bending],
    }


def _jobs(
    measured: MeasuredLot,
    result: CheckResult,
    groups: Sequence[Sequence[int]],
    skis: Sequence[dict[str, Any]],
    how: ReportSettings,
) -> Iterator[SectionJob]:
    by_group = {
        i
        for group, members in zip(result.groups, groups, strict=True)
        if group.spread_percent is not None
        for i in members
    }
    for at, (ski, given) in enumerate(zip(measured.skis, skis, strict=True)):
        yield SectionJob(
            document=given,
            ski=ski,
            construction=measured.constructions.get(ski.facts.construction),
            settings=result.settings,
            by_group=at in by_group,
            audio=how.audio,
            last=at == len(skis) - 1,
        )


def _in_order(jobs: Iterator[SectionJob], pool: Executor | None) -> Generator[str, None, None]:
    """The sections in the order of the jobs, a few ahead of what is written and never more.

    An empty one comes first, as soon as those few are on their way.
    """
    if pool is None:
        yield ""
        yield from map(section, jobs)
        return
    waiting = deque(pool.submit(section, job) for job in islice(jobs, _AHEAD))
    try:
        yield ""
        for job in jobs:
            waiting.append(pool.submit(section, job))
            yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
