"""The report in a real browser: nothing is complained of, nothing is asked for, and it works by hand, on paper, on a phone."""

from __future__ import annotations

import datetime
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from support.browser import Browser, chromium
from support.heard_once import measured_once
from support.report_lots import classic_lot
from support.system import missing

from taptest.present.html.files import find_browser, print_to_pdf
from taptest.present.html.report import ReportSettings, write_report
from taptest.present.html.sheet import write_sheet
from taptest.tables.lot import read_lot

pytestmark = pytest.mark.slow  # a real browser, half a minute in all

DAY = datetime.date(2026, 2, 3)
IDS = [f"C{pair:02d}{side}" for pair in range(1, 7) for side in "LR"]
SHOWN = "[...document.querySelectorAll('#skis tbody tr')].filter(r => !r.hidden).map(r => r.cells[0].textContent)"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """The report and a sheet of a lot with hostile rows."""
    chromium()
    folder = tmp_path_factory.mktemp("pages")
    measured = measured_once(read_lot(classic_lot(folder)))
    write_report(folder / "report.html", measured, ReportSettings(made_on=DAY))
    write_sheet(folder / "sheet.html", measured, "C05", ReportSettings(made_on=DAY))
    return folder


@pytest.fixture(scope="module")
def browser():
    chromium()
    opened = Browser()
    yield opened
    opened.close()


def foreign(requests):
    """Whatever was asked for that is neither the page nor inside it."""
    return [address for address in requests[1:] if not address.startswith("data:")]


@pytest.mark.parametrize("name", ["report.html", "sheet.html"])
@pytest.mark.parametrize("dark", [False, True])
def test_it_opens_without_a_complaint_or_a_request(browser, pages, name, dark):
    browser.open(pages / name, dark=dark)
    browser.evaluate("document.body.offsetHeight")
    assert browser.complaints == [] and foreign(browser.requests) == []
    assert "taken" not in browser.evaluate("document.title")
    light = browser.evaluate("getComputedStyle(document.body).backgroundColor")
    assert light == ("rgb(22, 24, 28)" if dark else "rgb(253, 253, 252)")


def test_the_policy_is_in_force(browser, pages, tmp_path):
    """A control: what a page of ours must not do, put into it on purpose, is refused, and this harness sees it."""
    html = (pages / "report.html").read_text(encoding="utf-8")
    bad = '<script>document.title="taken"</script><img src="https://example.invalid/x.png" alt=""><p style="color:red">'
    (tmp_path / "bad.html").write_text(html.replace("<main>", f"<main>{bad}", 1), encoding="utf-8")
    browser.open(tmp_path / "bad.html")
    assert browser.evaluate("document.title") != "taken"
    refused = " ".join(browser.complaints)
    assert all(word in refused for word in ("script-src", "img-src", "style-src"))


def test_players_decode_and_play(browser, pages):
    browser.open(pages / "report.html")
    play = """(async () => {
        const told = [];
        for (const player of [...document.querySelectorAll('audio')].slice(0, 4)) {
            player.currentTime = 0;
            await player.play();
            await new Promise(done => setTimeout(done, 250));
            told.push([player.duration, player.currentTime, player.error === null]);
            player.pause();
        }
        return JSON.stringify(told);
    })()"""
    told = json.loads(browser.evaluate(play))
    assert len(told) == 4
    for duration_s, at_s, sound in told:
        assert sound and 0.3 < duration_s < 1.6 and at_s > 0.02
    assert browser.complaints == []


def click(browser, heading):
    browser.evaluate(
        f"[...document.querySelectorAll('#skis thead button')].find(b => b.textContent.startsWith({heading!r})).click()"
    )


def test_sorting(browser, pages):
    browser.open(pages / "report.html")
    column = (
        "[...document.querySelectorAll('#skis tbody tr')].map(r => r.querySelector('[data-key=score]')?.value ?? null)"
    )
    click(browser, "score")
    scores = browser.evaluate(column)
    known = [float(score) for score in scores if score is not None]
    assert len(known) >= 12 and known == sorted(known) and None not in scores[: len(known)], (
        "what is not known comes last"
    )
    assert browser.evaluate("document.querySelector('#skis [aria-sort]').textContent") == "score"
    click(browser, "score")
    again = browser.evaluate(column)
    assert [float(score) for score in again if score is not None] == known[::-1] and None not in again[: len(known)]
    click(browser, "ski")
    names = browser.evaluate(SHOWN)
    assert [name for name in names if name in IDS] == IDS


def type_in(browser, field, text, event):
    browser.evaluate(
        f"((field) => {{ field.value = {text!r}; field.dispatchEvent(new Event({event!r})); }})"
        f"(document.getElementById({field!r}))"
    )


def test_filtering_hides_rows_and_sections(browser, pages):
    browser.open(pages / "report.html")
    every = browser.evaluate(SHOWN)
    type_in(browser, "find", "c05", "input")
    assert browser.evaluate(SHOWN) == ["C05L", "C05R"]
    assert browser.evaluate("document.getElementById('count').textContent") == f"2 of {len(every)} shown"
    visible = "[...document.querySelectorAll('section.ski')].filter(s => s.checkVisibility()).length"
    assert browser.evaluate(visible) == 2
    type_in(browser, "find", "", "input")
    type_in(browser, "word", "outlier", "change")
    assert "C05R" in browser.evaluate(SHOWN) and "C05L" not in browser.evaluate(SHOWN)
    type_in(browser, "find", "C05", "input")
    browser.evaluate("document.getElementById('find').dispatchEvent(new KeyboardEvent('keydown', {key: 'Enter'}))")
    top = browser.evaluate("document.getElementById('ski-9').getBoundingClientRect().top")
    assert abs(top) < 60


@pytest.mark.parametrize("name", ["report.html", "sheet.html"])
@pytest.mark.parametrize("scripts", [True, False])
def test_a_phone_needs_no_sideways_scroll(browser, pages, name, scripts):
    browser.open(pages / name, width=390, height=844, scripts=scripts)
    widest = "Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)"
    assert browser.evaluate(widest) == 390
    # Every part for itself: what is cut off at the side by a box would not widen the page.
    out = browser.evaluate(
        "[...document.querySelectorAll('h1,h2,p,li,td,figure,svg,audio,select,input')].filter(e => e.checkVisibility() &&"
        " !e.closest('details') && e.getBoundingClientRect().right > 391).map(e => e.outerHTML.slice(0, 80))"
    )
    assert out == []


def test_it_works_without_scripts(browser, pages):
    browser.open(pages / "report.html", scripts=False)
    assert browser.complaints == [] and browser.evaluate(SHOWN)[:12] == IDS
    assert browser.evaluate("getComputedStyle(document.querySelector('.tools')).display") == "none"
    assert browser.evaluate("document.querySelectorAll('#skis thead button').length") == 0
    browser.evaluate("document.querySelector('#skis a[href=\"#ski-9\"]').click()")
    assert abs(browser.evaluate("document.getElementById('ski-9').getBoundingClientRect().top")) < 60
    assert browser.evaluate("document.querySelectorAll('audio[controls]').length") > 20


def test_a_picture_is_there_although_an_earlier_one_is_hidden(browser, pages):
    """Ids in a hidden picture must not be what another one refers to."""
    browser.open(pages / "report.html")
    marks = (
        "(async () => { document.getElementById('ski-3').scrollIntoView();"
        " await new Promise(done => requestAnimationFrame(() => setTimeout(done, 50)));"
        " return [...document.querySelectorAll('#ski-3 svg use')].map(u => u.getBoundingClientRect())"
        ".map(box => Math.max(box.width, box.height)) })()"
    )
    before = browser.evaluate(marks)
    type_in(browser, "find", "C02R", "input")
    assert before and browser.evaluate(marks) == before and min(before) > 0


@pytest.fixture(scope="module")
def checker(tmp_path_factory):
    """The script of axe-core, fetched for the test and left out of the repository."""
    npm = shutil.which("npm")
    if npm is None:
        missing("npm is not installed (Debian packages nodejs, npm)")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [npm, "install", "--no-audit", "--no-fund", "--prefix", str(folder), "axe-core@4"],
        capture_output=True,
        text=True,
        timeout=300,
    )
    path = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not path.exists():
        missing(f"npm could not install axe-core: {done.stderr[-200:]}")
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["report.html", "sheet.html"])
@pytest.mark.parametrize(("width", "dark"), [(1280, False), (1280, True), (390, False)])
def test_no_serious_barrier(browser, pages, checker, name, width, dark):
    browser.open(pages / name, width=width, dark=dark)
    # Off screen nothing is laid out until it is needed; the checker looks at everything.
    browser.evaluate("document.querySelectorAll('section.ski').forEach((s, n) => { s.hidden = n > 3 })")
    assert violations(browser, checker) == []


def violations(browser, checker):
    browser.evaluate(checker)
    found = browser.evaluate(
        "axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify(r.violations.map(v => "
        "[v.id, v.impact, v.nodes.length, v.nodes[0].html.slice(0, 200), v.nodes[0].failureSummary])))"
    )
    return [each for each in json.loads(found) if each[1] in ("serious", "critical")]


def test_a_barrier_would_be_seen(browser, pages, checker):
    browser.open(pages / "sheet.html")
    browser.evaluate("document.querySelector('svg').removeAttribute('aria-label')")
    browser.evaluate("document.documentElement.removeAttribute('lang')")
    assert {each[0] for each in violations(browser, checker)} >= {"svg-img-alt", "html-has-lang"}


# --- on paper ------------------------------------------------------------------------------------------------------

PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


def words_of(pdf):
    """Width and words of every page, each with its left and right edge and its height, as poppler reads them [points]."""
    if shutil.which("pdftotext") is None:
        missing("pdftotext is not installed (Debian package poppler-utils)")
    command = ["pdftotext", "-bbox", str(pdf), "-"]
    told = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
    place = r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>'
    found = []
    for page in told.split("<page ")[1:]:
        words = [
            (float(left), float(right), float(bottom) - float(top), word)
            for left, top, right, bottom, word in re.findall(place, page)
        ]
        found.append((float(re.match(r'width="([\d.]+)"', page)[1]), words))
    return found


def clipped(printed):
    """Words outside the margins, or so small that the page was shrunk to take them in."""
    return [
        word
        for width, words in printed
        for left, right, height, word in words
        if left < 20 or right > width - 20 or height < 4
    ]


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_is_cut_off_on_paper(browser, pages, tmp_path, paper):
    browser.open(pages / "report.html")
    width, height = PAPERS[paper]
    browser.pdf(tmp_path / "r.pdf", paperWidth=width, paperHeight=height)
    printed = words_of(tmp_path / "r.pdf")
    every = [word for _, words in printed for *_, word in words]
    # The table of all skis with its last column, and every section, are there.
    assert {"taps", "uneven", *IDS} <= set(every) and every.count("5/5") >= 20
    assert clipped(printed) == []
    assert all(page_width == pytest.approx(72 * width, abs=1) and words for page_width, words in printed)


@pytest.mark.parametrize("paper", PAPERS)
def test_no_page_is_wasted_and_no_ski_is_torn_apart(browser, pages, tmp_path, paper):
    browser.open(pages / "report.html")
    width, height = PAPERS[paper]
    browser.pdf(tmp_path / "r.pdf", paperWidth=width, paperHeight=height)
    printed = [[word for *_, word in words] for _, words in words_of(tmp_path / "r.pdf")]
    heard, torn_at = 0, []
    for number, words in enumerate(printed):
        # The heading of a ski's table of modes, and the caption of the last picture of its section.
        text = " ".join(words)
        tables, captions = text.count("note, cents remarks"), text.count("heard stand still, and where to tap")
        heard += tables
        if tables != captions:
            torn_at.append(number)
    assert heard >= 12 and min(map(len, printed[:-1])) > 80
    # With the longest texts that a table may hold a ski does not fit on a page.
    if torn_at:
        (first, second) = torn_at
        assert second == first + 1 and "document.title=" in " ".join(printed[first])

    # The control: without the class that keeps them together sections are torn, wherever they happen to begin.
    browser.evaluate("document.querySelectorAll('section.ski').forEach(each => each.classList.remove('ski'))")
    torn = []
    for lower in (0, 50, 100):
        browser.evaluate(f"document.querySelector('section').style.paddingTop = '{lower}mm'")
        browser.pdf(tmp_path / "torn.pdf", paperWidth=width, paperHeight=height)
        torn += [" ".join(word for *_, word in words) for _, words in words_of(tmp_path / "torn.pdf")]
    assert any(text.count("note, cents remarks") != text.count("heard stand still, and where to tap") for text in torn)


def test_a_table_too_wide_for_the_paper_would_be_seen(browser, pages, tmp_path):
    browser.open(pages / "sheet.html")
    browser.evaluate("document.querySelector('table').setAttribute('width', '3000')")
    browser.pdf(tmp_path / "wide.pdf")
    # What lies beyond the edge is not in the file at all: the last column is missing.
    assert "match" not in [word for _, words in words_of(tmp_path / "wide.pdf") for *_, word in words]


@pytest.mark.parametrize("paper", PAPERS)
def test_a_sheet_is_one_page(browser, pages, tmp_path, paper):
    browser.open(pages / "sheet.html")
    width, height = PAPERS[paper]
    browser.pdf(tmp_path / "s.pdf", paperWidth=width, paperHeight=height)
    ((page_width, words),) = words_of(tmp_path / "s.pdf")
    told = [word for *_, word in words]
    assert {"C05L", "C05R", "mismatched", "synthetic", "match"} <= set(told)
    assert clipped([(page_width, words)]) == []


def test_the_command_prints_it(pages, tmp_path):
    chromium()
    print_to_pdf(pages / "sheet.html", tmp_path / "s.pdf", find_browser())
    assert len(words_of(tmp_path / "s.pdf")) == 1
    assert not list(Path(tmp_path).glob(".*"))
