"""A checked lot as one page that can be mailed, printed and listened to."""

from __future__ import annotations

import datetime
import os
import tempfile
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from taptest.config.settings import Settings
from taptest.core.errors import ReportError, shown
from taptest.core.version import VERSION
from taptest.identify.measure import MeasuredSki
from taptest.identify.measured_lot import MeasuredLot
from taptest.present.html.page import environment, frame
from taptest.present.html.ski_section import SectionJob, section
from taptest.present.json.documents import check_document
from taptest.present.plots.lot import damping_picture, ladder_picture, lot_picture, shift_picture, stiffness_picture
from taptest.present.plots.plots import style
from taptest.present.text.citation import cited
from taptest.screen.check import check_measured
from taptest.screen.verdict import CheckResult, GroupSummary

ORDER = ("pass", "recheck", "outlier", "not judged")
SECTIONS = (("outlier", "Set aside"), ("recheck", "Recheck"), ("not judged", "Not judged"))
MARK = '<meta name="generator" content="taptest report">'
_MARK_WITHIN = 400
_AHEAD = 8  # sections that are being made before they are needed


@dataclass(frozen=True)
class ReportSettings:
    """How a report is made: ``audio`` with players, ``made_on`` the day that it names, ``pool`` of processes, if any."""

    settings: Settings = field(default_factory=Settings)
    audio: bool = True
    made_on: datetime.date | None = None
    pool: Executor | None = None


def write_report(
    path: str | Path, measured: MeasuredLot, how: ReportSettings, *, progress: Callable[[], None] | None = None
) -> CheckResult:
    """Write the report of a measured lot (with its analyses kept), and return what it reports.

    Sections of skis are made one after the other and written at once, so the memory does not grow with the lot. The
    page appears under its name when it is complete.

    Args:
        path: where to.
        measured: skis with their analyses.
        how: players, date, processes.
        progress: called after every ski.

    Raises:
        ReportError: there is a file of that name that is no report, or it cannot be written.
    """
    result = check_measured(measured)
    sections = _in_order(_jobs(measured, result, how), how.pool)
    with replacing(path) as page, closing(sections):
        next(sections)  # the first ones are being made while the head is
        page.write(_head(measured, result, how))
        for html in sections:
            page.write(html)
            if progress is not None:
                progress()
        page.write(_tail())
    return result


@contextmanager
def replacing(path: str | Path) -> Iterator[TextIO]:
    """A text file that takes the place of ``path`` when it is complete, and leaves nothing behind when it is not.

    Raises:
        ReportError: what is there already is no report, or the place cannot be written to.
    """
    path = Path(path)
    check_replaceable(path)
    try:
        handle, draft = tempfile.mkstemp(prefix=".taptest-", suffix=".html", dir=path.parent)
    except OSError as refused:
        raise ReportError(f"{shown(path, 200)}: cannot be written ({refused.strerror}); choose another place") from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            yield file
        Path(draft).chmod(0o644)  # a draft is for its owner alone; the report is for handing over
        Path(draft).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(draft).unlink()
        raise


def check_replaceable(path: Path) -> None:
    """Raise where nothing can be written, or where writing would take away something that is no report.

    Raises:
        ReportError: a folder, a place in no folder, or a file that no report begins like.
    """
    if path.is_dir():
        raise ReportError(f"{shown(path, 200)}: is a folder; name a file in it")
    if not path.parent.is_dir():
        raise ReportError(f"{shown(path, 200)}: cannot be written, as there is no such folder; make it first")
    if path.exists() and not path.is_file():
        raise ReportError(f"{shown(path, 200)}: is a pipe or a device; choose another name")
    with suppress(FileNotFoundError):
        try:
            with path.open("rb") as file:
                begin = file.read(_MARK_WITHIN)
        except OSError as refused:
            if isinstance(refused, FileNotFoundError):
                raise
            raise ReportError(f"{shown(path, 200)}: cannot be read ({refused.strerror}); choose another name") from None
        if begin and MARK.encode() not in begin and not begin.startswith(b"%PDF-"):
            raise ReportError(f"{shown(path, 200)}: is there and no report of taptest; choose another name")


def _head(measured: MeasuredLot, result: CheckResult, how: ReportSettings) -> str:
    document: dict[str, Any] = check_document(result)
    skis = numbered(document["skis"])
    name = shown(measured.lot.path.name, 100)
    with style():
        groups = [
            _group(at, document["groups"][at], group, measured, result, skis) for at, group in enumerate(result.groups)
        ]
        pictures = {"lot_picture": lot_picture(result), "shift_picture": shift_picture(result)}
    return (
        environment()
        .get_template("head.html")
        .render(
            **frame(f"Tap test: {name}", scripted=True),
            **pictures,
            name=name,
            made_on=day_of(how),
            skis=skis,
            tally={word: sum(ski["verdict"] == word for ski in skis) for word in ORDER},
            order=ORDER,
            sections=SECTIONS,
            remarked=[ski for ski in skis if ski["verdict"] == "pass" and ski["reasons"]],
            troubles=[*map(str, result.problems), *result.unread, *result.notes],
            groups=groups,
            calibrations=[cited(each) for each in result.calibrations],
            audio=how.audio,
        )
    )


def _tail() -> str:
    return environment().get_template("tail.html").render(script=frame("", scripted=True)["script"], version=VERSION)


def day_of(how: ReportSettings) -> str:
    """The day that the page names, as 2026-11-25."""
    day = how.made_on or datetime.date.today()
    return day.isoformat()


def numbered(skis: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The skis of the document with their numbers, and so their modes: the page says by them which number is whose."""
    return [
        {**ski, "at": at, "modes": [{**mode, "at": n} for n, mode in enumerate(ski["modes"])]}
        for at, ski in enumerate(skis)
    ]


def _group(
    at: int,
    document: dict[str, Any],
    group: GroupSummary,
    measured: MeasuredLot,
    result: CheckResult,
    skis: Sequence[dict[str, Any]],
) -> dict[str, Any]:
    members = [i for i, ski in enumerate(measured.skis) if _belongs(ski, group)]
    verdicts = [result.skis[i] for i in members]
    heard = [skis[i] for i in members if skis[i]["modes"]]
    bending = [mode for ski in heard for mode in ski["modes"] if mode["family"] == "bending"]
    return {
        **document,
        "ladder": ladder_picture(group, verdicts, name=f"g{at}l"),
        "damping": damping_picture(group, verdicts, name=f"g{at}d"),
        "stiffness": stiffness_picture(group, verdicts, name=f"g{at}s"),
        "orders": sorted({mode["order"] for mode in bending}),
        "skis": heard,
    }


def _belongs(ski: MeasuredSki, group: GroupSummary) -> bool:
    """Whether a ski is of the kind of a group; those that were not judged are drawn with it as far as they are known."""
    row = ski.row
    if row.length_m is None or row.construction != group.construction:
        return False
    bounds = [int(part) for part in group.length_class.split("-")]
    within = bounds[0] <= round(1000 * row.length_m) <= bounds[-1]
    return within and ("with binding" if row.binding_mass_kg > 0 else "bare") == group.binding


def _jobs(measured: MeasuredLot, result: CheckResult, how: ReportSettings) -> Iterator[SectionJob]:
    document: dict[str, Any] = check_document(result)
    skis = numbered(document["skis"])
    for at, (ski, given) in enumerate(zip(measured.skis, skis, strict=True)):
        groups = [group for group in result.groups if _belongs(ski, group)]
        yield SectionJob(
            document=given,
            ski=ski,
            construction=measured.constructions.get(ski.row.construction),
            settings=how.settings,
            by_group=any(group.spread_percent is not None for group in groups),
            audio=how.audio,
            before=at - 1 if at else None,
            after=at + 1 if at + 1 < len(skis) else None,
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
