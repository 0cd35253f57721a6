"""The report: every number is that of ``check --json``, hostile text stays text, and nothing is loaded from anywhere."""

from __future__ import annotations

import base64
import copy
import datetime
import hashlib
import io
import json
import math
import re
from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from scipy import signal
from support import command_line
from support.heard_once import measured_once
from support.report_lots import BIG_NOTE, DEMO, HOSTILE, Page, classic_lot

from taptest.config.corrections import Citation, Corrections
from taptest.config.settings import Settings
from taptest.core.errors import ReportError
from taptest.core.processes import processes
from taptest.pairing.pairs import judge_pairs
from taptest.present.html import report as report_module
from taptest.present.html.report import ReportSettings, write_report
from taptest.present.html.sheet import write_sheet
from taptest.present.json.documents import check_document
from taptest.present.json.pairs import pairs_document
from taptest.present.text.tables import CAUTION
from taptest.screen.check import check_measured
from taptest.tables.lot import read_lot

DAY = datetime.date(2026, 2, 3)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The report of the hostile lot, and what it reports."""
    folder = tmp_path_factory.mktemp("report")
    measured = measured_once(read_lot(classic_lot(folder)))
    path = folder / "report.html"
    done = []
    write_report(path, measured, ReportSettings(made_on=DAY), progress=lambda: done.append(1))
    html = path.read_text(encoding="utf-8")
    document = json.loads(json.dumps(check_document(check_measured(measured))))
    return SimpleNamespace(
        measured=measured, path=path, html=html, page=Page(html), document=document, sections=len(done), folder=folder
    )


# --- numbers -------------------------------------------------------------------------------------------------------


def expected(number, document, measured):
    """The value that a number of the page must have, from the document; or from a formula, for what follows from it."""
    whose = number.whose
    if "group" in whose:
        return document["groups"][whose["group"]][number.key]
    ski = document["skis"][whose["ski"]]
    if "other" in whose:
        (analysis,) = measured.skis[whose["ski"]].analyses
        return analysis.modes[whose["other"]].frequency_hz
    if "mode" not in whose:
        return ski[number.key]
    mode = ski["modes"][whose["mode"]]
    if number.key == "half_power_bandwidth_hz":
        return 2 * mode["damping_ratio"] * mode["frequency_hz"]  # ASTM E756: loss factor = width / f, twice the ratio
    if number.key == "decay_time_s":
        # A(t) = exp(-2 pi f zeta t) falls to a thousandth: derived.
        return math.log(1000) / (2 * math.pi * mode["frequency_hz"] * mode["damping_ratio"])
    return mode[number.key]


def differences(numbers, document, measured):
    """Every number whose value or text is not that of the document."""
    wrong = []
    for number in numbers:
        value = expected(number, document, measured)
        decimals = len(number.text.partition(".")[2])
        text = float(number.text)
        least = 10.0**-decimals if "_u_" in f"{number.key}_" and number.key != "damping_ratio" else 0.0
        shown = max(number.scale * value, least) if least else number.scale * value
        if not math.isclose(number.value, value, rel_tol=1e-8) or abs(text - shown) > 0.5000001 * 10.0**-decimals:
            wrong.append((number, value))
    return wrong


def test_every_number_is_that_of_check(made):
    assert len(made.page.numbers) > 600
    assert differences(made.page.numbers, made.document, made.measured) == []


@pytest.mark.parametrize("change", [("skis", 3, "measured_hz"), ("skis", 5, "score"), ("groups", 0, "limit_percent")])
def test_a_wrong_number_would_be_seen(made, change):
    document = copy.deepcopy(made.document)
    where, at, key = change
    document[where][at][key] *= 1.001
    assert differences(made.page.numbers, document, made.measured)


def test_no_number_of_check_is_missing(made):
    keys = (
        "mass_g stiffness_n_per_mm span_mm predicted_hz predicted_u_hz measured_hz measured_u_hz deviation_percent "
        "deviation_u_percent shift_percent shift_u_percent shift_limit_percent damping_ratio damping_ratio_u unevenness "
        "score taps_good taps_found"
    )
    there = {(n.whose["ski"], n.key) for n in made.page.numbers if "ski" in n.whose and "mode" not in n.whose}
    for at, ski in enumerate(made.document["skis"]):
        assert {key for key in keys.split() if ski[key] is not None and (at, key) not in there} == set()
        modes = {(n.whose["mode"], n.key) for n in made.page.numbers if n.whose.get("ski") == at and "mode" in n.whose}
        for order, mode in enumerate(ski["modes"]):
            told = ("frequency_hz", "frequency_u_hz", "predicted_hz", "deviation_percent", "damping_ratio")
            assert {key for key in told if mode[key] is not None and (order, key) not in modes} == set()


def test_no_figure_stands_in_the_table_that_is_not_marked(made):
    body = re.search(r'<table id="skis".*?</table>', made.html, re.DOTALL)[0]
    cells = re.findall(r"<td(?![^>]*class=\"left\")[^>]*>(.*?)</td>", body, re.DOTALL)
    assert len(cells) == 11 * len(made.document["skis"])
    words = "<small>(heard|inferred)</small>"
    assert all(re.sub(rf"<data.*?</data>|{words}|<[^>]+>", "", cell).strip(" -±/") == "" for cell in cells)


COLUMNS = {
    "score": "score",
    "mass, g": "mass_g",
    "stiff, N/mm": "stiffness_n_per_mm",
    "pred., Hz": "predicted_hz",
    "first, Hz": "measured_hz",
    "off by, %": "deviation_percent",
    "tone, %": "shift_percent",
    "limit, %": "shift_limit_percent",
    "uneven": "unevenness",
    "damp, %": "damping_ratio",
    "taps": "taps_good",
    "measured, Hz": "frequency_hz",
    "predicted, Hz": "predicted_hz",
    "width, Hz": "half_power_bandwidth_hz",
    "decay, s": "decay_time_s",
}


def test_every_column_holds_what_its_heading_says(made):
    cells = re.findall(r'<td data-label="([^"]+)"[^>]*>\s*(?:<span[^>]*>)?<data [^>]*data-key="(\w+)"', made.html)
    assert {label for label, _ in cells} == set(COLUMNS)
    for label, key in cells:
        assert key == COLUMNS[label]
    for table in re.findall(r"<table[^>]* class=\"cards\">.*?</table>", made.html, re.DOTALL):
        headings = re.findall(r"<th[^>]*scope=\"col\"[^>]*>(.*?)</th>", table)
        row = re.search(r"<tbody>\s*<tr.*?</tr>", table, re.DOTALL)[0]
        labels = re.findall(r'data-label="([^"]+)"', row)
        assert headings[-len(labels) :] == labels


def test_summary_counts_and_reasons(made):
    tally = dict(
        re.findall(r"<li><strong>(\d+)</strong><span class=\"word \w+\"><span[^>]*>.</span> (\w+)", made.html)[::1]
    )
    words = [ski["verdict"] for ski in made.document["skis"]]
    assert sum(map(int, tally)) == len(words) == made.sections
    assert str(words.count("pass")) in tally
    for ski in made.document["skis"]:
        for reason in ski["reasons"]:
            assert reason[1:].rstrip(".") in made.page.text
    assert made.page.text.count(CAUTION) == 2 and "Start quietly when listening" in made.page.text
    assert "2026-02-03" in made.page.text


def test_a_first_mode_says_whether_it_was_heard(made):
    sources = [ski["first_mode_source"] for ski in made.document["skis"] if ski["measured_hz"]]
    assert (
        re.findall(r'<span class="(\w+)"><data [^>]*data-key="measured_hz".*?<small>\1</small>', made.html) == sources
    )
    assert "inferred" in sources
    heard = made.html.count('heard:\n<span class="heard">')
    assert heard == sources.count("heard")


def test_outliers_are_to_be_confirmed_and_the_advice_stands_once(made):
    assert "Outliers to confirm" in made.page.text and "Set aside" not in made.page.text
    listed = made.html[made.html.index("Outliers to confirm") : made.html.index("<h2>The lot</h2>")]
    assert len(re.findall("(?i)re-?hang|hang it again", listed)) == 1


# --- nothing foreign -----------------------------------------------------------------------------------------------


def test_hostile_text_is_text(made):
    names = {tag for tag, _ in made.page.tags}
    assert "img" not in names and "b" not in names and "iframe" not in names
    assert [tag for tag, _ in made.page.tags].count("script") == 1
    assert not any(name.startswith("on") for _, given in made.page.tags for name in given)
    for text in HOSTILE[:4] + HOSTILE[5:8]:
        assert text[:50].strip() in made.page.text, text
        assert (BIG_NOTE + text).strip() in made.page.text
    # A mark that turns the direction of writing is shown as its escape; letters that are written so stand isolated.
    assert "\u202e" not in made.html and "\\u202egnitirw" in made.page.text
    assert r"Ski $\frac{1}{0}$ {{ 7*7 }} _x" in made.page.text


def test_a_long_id_is_shortened_and_says_so(made):
    assert "(400 characters)" in made.page.text
    assert max(map(len, re.findall("\u96ea+", made.page.text.replace(BIG_NOTE, "note")))) == 400, (
        "a note is shown whole"
    )
    assert (
        max(map(len, re.findall("\u96ea+", re.sub("note\u96ea+", "", made.page.text.replace(BIG_NOTE, "note"))))) <= 60
    )


def test_the_policy_lets_in_only_the_pages_own_script_and_style(made):
    policies = [g["content"] for tag, g in made.page.tags if tag == "meta" and "http-equiv" in g]
    (policy,) = policies
    rules = {rule.split()[0]: rule.split()[1:] for rule in policy.split(";")}
    assert rules["default-src"] == ["'none'"] and rules["base-uri"] == ["'none'"] and rules["form-action"] == ["'none'"]
    assert rules["media-src"] == rules["img-src"] == ["data:"]
    for name in ("style", "script"):
        (text,) = ("".join(made.page.raw[name]),)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[f"{name}-src"] == [f"'sha256-{digest}'"]
    assert not any("style" in given for _, given in made.page.tags), "inline styles are forbidden by the policy"
    # The policy counts from where it stands, so it comes before whatever it is for.
    assert made.html.index("Content-Security-Policy") < made.html.index("<style>")


def test_every_address_is_in_the_page(made):
    ids = [given["id"] for _, given in made.page.tags if "id" in given]
    assert len(ids) == len(set(ids))
    for tag, given in made.page.tags:
        for name in ("href", "src", "clip-path", "aria-labelledby"):
            if name in given:
                target = re.sub(r"^(url\()?#|\)$", "", given[name])
                assert given[name].startswith(("data:audio/", "data:image/png;base64,")) or target in ids, (
                    tag,
                    given[name],
                )
        assert not {"action", "srcset", "data", "poster", "xlink:href"} & set(given)


def test_every_picture_has_words(made):
    pictures = [given for tag, given in made.page.tags if tag == "svg"]
    heard = sum(bool(ski["modes"]) for ski in made.document["skis"])
    assert len(pictures) == 2 + 3 * len(made.document["groups"]) + 3 * heard
    assert all(given["role"] == "img" and len(given["aria-label"]) > 60 for given in pictures)
    assert not any(re.search(r"[{}]|\bNone\b|\bnan\b", given["aria-label"]) for given in pictures)


@pytest.mark.slow
def test_how_the_tones_fade_is_drawn_with_every_ski_in_a_small_image(made):
    heard = [ski for ski in made.document["skis"] if ski["modes"]]
    images = [given["href"] for tag, given in made.page.tags if tag == "image"]
    assert len(images) == len(heard) and max(map(len, images)) < 24_000
    for image in images:
        data = base64.b64decode(image.partition("base64,")[2])
        assert data.startswith(b"\x89PNG")
    words = [given["aria-label"] for tag, given in made.page.tags if tag == "svg" and "fade" in given["aria-label"]]
    assert len(words) == len(heard) and all("fitted mode" in each and "60 dB" in each for each in words)


# --- sounds --------------------------------------------------------------------------------------------------------


def sounds(page):
    """Samples and rate of every player."""
    found = []
    for tag, given in page.tags:
        if tag == "audio":
            data = base64.b64decode(given["src"].partition("base64,")[2])
            found.append(soundfile.read(io.BytesIO(data)))
    return found


def test_players_hold_a_tap_and_its_modes_at_a_safe_level(made):
    heard = sum(bool(ski["modes"]) for ski in made.document["skis"])
    found = sounds(made.page)
    assert len(found) == 2 * heard
    for samples, rate in found:
        assert samples.ndim == 1 and rate == 16_000 and 0.3 < len(samples) / rate <= 1.6
        assert np.abs(samples).max() <= 10 ** (-12 / 20) + 1e-3


def test_the_tap_is_that_of_the_recording_and_the_modes_are_its_own(made):
    (tap, rate), (sung, _) = sounds(made.page)[:2]
    samples, full_rate = soundfile.read(DEMO / "c01l.flac")
    assert likeness(tap, signal.decimate(samples, full_rate // rate, ftype="fir")) > 0.97
    other, _ = soundfile.read(DEMO / "c01r.flac")
    assert (
        likeness(tap, signal.decimate(other, full_rate // rate, ftype="fir")) < 0.9
    )  # its pair, with much the same knock
    # recordings_demo/truth.json, from the matrices of the simulated chain: two loud modes of this ski.
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["skis"]
    bending_hz = next(ski["bending_hz"] for ski in truth if ski["ski_id"] == "C01L")
    for frequency_hz in (bending_hz[3], bending_hz[5]):
        beside = np.median([level_at(sung, rate, frequency_hz * share) for share in (0.9, 0.95, 1.05, 1.1)])
        assert level_at(sung, rate, frequency_hz) > 4 * beside


def likeness(clip, samples):
    """Largest correlation coefficient of a clip with any stretch of a recording."""
    product = signal.correlate(samples, clip, mode="valid")
    energy = signal.correlate(samples**2, np.ones(len(clip)), mode="valid")
    return float(np.max(product / np.sqrt(np.maximum(energy, 1e-12) * (clip @ clip))))


def level_at(samples, rate, frequency_hz):
    """Magnitude of the Fourier transform at one frequency."""
    return abs(samples @ np.exp(-2j * np.pi * frequency_hz / rate * np.arange(len(samples))))


def test_without_audio_there_is_none(made, tmp_path):
    few = few_skis(made.measured, 2)
    write_report(tmp_path / "with.html", few, ReportSettings(made_on=DAY))
    write_report(tmp_path / "without.html", few, ReportSettings(made_on=DAY, audio=False))
    quiet = (tmp_path / "without.html").read_text(encoding="utf-8")
    assert "<audio" not in quiet and "data:audio" not in quiet and "data:image" in quiet
    assert len(quiet) < len((tmp_path / "with.html").read_text(encoding="utf-8"))


def few_skis(measured, count):
    return replace(measured, skis=measured.skis[:count])


# --- files and processes -------------------------------------------------------------------------------------------


def test_calibrations_are_cited_and_a_limit_is_no_value(made, tmp_path):
    made_at = datetime.datetime(2026, 1, 30, 9, tzinfo=datetime.UTC)
    corrections = Corrections(
        citations=(Citation("room", made_at, 4.2, "room-1.json", "so it is"),), notes=("tap the reference",)
    )
    ski, found = made.measured.skis[0], made.measured.skis[0].placed
    limited = replace(found.modes[1], flags=("room-limited",), damping_ratio_limit=0.0123)
    ski = replace(ski, placed=replace(found, modes=(found.modes[0], limited, *found.modes[2:])))
    measured = replace(made.measured, skis=(ski, *made.measured.skis[1:3]), settings=Settings(corrections=corrections))
    write_report(tmp_path / "report.html", measured, ReportSettings(made_on=DAY, audio=False))
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<strong>room</strong> so it is; made 2026-01-30, 4 days old (room-1.json)." in html
    assert "tap the reference" in html
    (below,) = re.findall(r'data-label="damp, %">&lt;<[^>]*>([^<]*)<', html)
    assert below == "1.23"
    assert "damping_ratio_limit" not in made.html and "Calibrations" not in made.html


@pytest.mark.slow
def test_the_same_lot_gives_the_same_bytes_in_one_process_or_two(made, tmp_path):
    few = few_skis(made.measured, 3)
    for name, count in (("a", 1), ("b", 1), ("c", 2)):
        with processes(count) as pool:
            write_report(tmp_path / name, few, ReportSettings(made_on=DAY, pool=pool))
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes() == (tmp_path / "c").read_bytes()


@pytest.mark.parametrize("name", ["lot.csv", "c01l.flac"])
def test_it_takes_the_place_of_no_other_file(made, name):
    before = (made.folder / name).read_bytes()
    with pytest.raises(ReportError, match="is there and no report of taptest; choose another name"):
        write_report(made.folder / name, made.measured, ReportSettings())
    assert (made.folder / name).read_bytes() == before


def test_an_older_report_is_replaced_and_a_failure_leaves_it(made, tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    few = few_skis(made.measured, 1)
    write_report(path, few, ReportSettings(made_on=DAY))
    write_report(path, few, ReportSettings(made_on=DAY, audio=False))
    before = path.read_bytes()

    def fails(job):
        raise OSError("disk full")

    monkeypatch.setattr(report_module, "section", fails)
    with pytest.raises(OSError, match="disk full"):
        write_report(path, few, ReportSettings())
    assert path.read_bytes() == before and list(tmp_path.iterdir()) == [path]


def test_only_a_few_sections_are_held(monkeypatch):
    taken = []
    jobs = (taken.append(n) or n for n in range(50))
    monkeypatch.setattr(report_module, "section", abs)  # whatever can be sent to another process
    with processes(2) as pool:
        made = report_module._in_order(jobs, pool)
        assert next(made) == "" and len(taken) == 8
        for done, number in enumerate(made):
            assert number == done and len(taken) <= done + 9
    assert len(taken) == 50


def test_a_recording_that_has_gone_is_said(made, tmp_path):
    from dataclasses import replace

    ski = made.measured.skis[0]
    gone = replace(ski.analyses[0], path=str(tmp_path / "gone.flac"))
    lot = replace(made.measured, skis=(replace(ski, analyses=(gone,)),))
    write_report(tmp_path / "r.html", lot, ReportSettings(made_on=DAY))
    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert "No pictures of the sound" in page.text and "gone.flac" in page.text
    assert len(sounds(page)) == 1, "the modes alone need no recording"


@pytest.mark.slow
def test_report_and_sheet_judge_with_the_false_alarm_rate_of_the_settings(made, tmp_path):
    """Fewer false alarms mean wider limits: the page says what `check` says with the same settings, and nothing else."""
    strict, lax = Settings(false_alarm_rate=0.001), Settings(false_alarm_rate=0.1)
    limits = {}
    for name, settings in (("strict", strict), ("lax", lax)):
        measured = replace(made.measured, settings=settings)
        result = check_measured(measured)
        how = ReportSettings(audio=False, made_on=DAY)
        assert write_report(tmp_path / "r.html", measured, how).skis == result.skis
        write_sheet(tmp_path / "s.html", measured, "C05", how)
        pages = [Page((tmp_path / each).read_text(encoding="utf-8")) for each in ("r.html", "s.html")]
        document = json.loads(json.dumps(check_document(result)))
        assert [differences(page.numbers, document, made.measured) for page in pages] == [[], []]
        assert f"at most 1 good ski in {1 / settings.false_alarm_rate:.0f} is flagged" in " ".join(
            pages[0].text.split()
        )
        limits[name] = document["groups"][0]["limit_percent"]
    assert limits["strict"] > 1.2 * limits["lax"]


# --- the sheet -----------------------------------------------------------------------------------------------------


def test_a_sheet_says_what_pairs_and_check_say(made, tmp_path):
    pair = write_sheet(tmp_path / "s.html", made.measured, "C05", ReportSettings(made_on=DAY))
    html = (tmp_path / "s.html").read_text(encoding="utf-8")
    page = Page(html)
    assert len(page.numbers) >= 20
    assert differences(page.numbers, made.document, made.measured) == []
    (document,) = (p for p in pairs_document(judge_pairs(made.measured))["pairs"] if p["pair_id"] == "C05")
    assert pair.verdict == document["verdict"] == "mismatched"
    for key, unit in (("mass", "g"), ("stiffness", "percent"), ("frequency", "percent"), ("damping", "percent")):
        decimals = 0 if key == "mass" else 1
        value, u = (document[f"{key}_difference_{part}{unit}"] for part in ("", "u_"))
        symbol = "g" if unit == "g" else "%"
        told = f"{value:+.{decimals}f} ±{max(u, 10.0**-decimals):.{decimals}f} {symbol}"
        assert told.replace("-0 ", "0 ") in page.text
    assert f"{document['frequency_difference_cents']:+.0f} cents" in page.text
    assert (
        CAUTION in page.text
        and "does not mean that either is undamaged" in page.text
        and "script" not in {tag for tag, _ in page.tags}
    )


@pytest.mark.parametrize(
    ("pair_id", "why"),
    [("C0", "has no pair C0; there are C0"), (HOSTILE[0], "has 1 readable ski"), ("", "has no pair")],
)
def test_no_such_pair(made, tmp_path, pair_id, why):
    with pytest.raises(ReportError, match=re.escape(why)):
        write_sheet(tmp_path / "s.html", made.measured, pair_id, ReportSettings())
    assert list(tmp_path.iterdir()) == []


# --- the command ---------------------------------------------------------------------------------------------------


run = partial(command_line.run, "report")


def two_skis(folder, *, recording="a.flac"):
    (folder / "a.flac").write_bytes((DEMO / "c05l.flac").read_bytes())
    (folder / "b.flac").write_bytes((DEMO / "c05r.flac").read_bytes())
    (folder / "lot.csv").write_text(
        "ski_id,pair_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
        f"1,P,classic_generic,1990,513,5.035,1400,{recording}\n2,P,classic_generic,1990,513,4.514,1400,b.flac\n"
    )
    return folder / "lot.csv"


def test_the_command_writes_a_page_and_says_where(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = run(two_skis(tmp_path))
    assert done.exit_code == 0, done.output
    assert re.fullmatch(r"report\.html \(\d{3} kB\)\n", done.stdout)
    assert "at most 1 good ski in 100 is flagged" in (tmp_path / "report.html").read_text(encoding="utf-8")
    assert run("lot.csv", "--false-alarm-rate", "1/20").exit_code == 0
    assert "at most 1 good ski in 20 is flagged" in (tmp_path / "report.html").read_text(encoding="utf-8")
    done = run("lot.csv", "--sheet", "P", "-o", "pair.html")
    assert done.exit_code == 0 and "Pair <bdi>P</bdi>" in (tmp_path / "pair.html").read_text(encoding="utf-8")


def test_what_cannot_be_read_is_named_and_in_the_page(tmp_path):
    done = run(two_skis(tmp_path, recording="missing.flac"), "-o", tmp_path / "r.html")
    assert done.exit_code == 4 and "missing.flac" in done.stderr
    assert "missing.flac" in Page((tmp_path / "r.html").read_text(encoding="utf-8")).text


@pytest.mark.parametrize(
    ("arguments", "status", "why"),
    [
        (["lot.csv", "-o", "lot.csv"], 1, "is there and no report"),
        (["lot.csv", "-o", "no/such/r.html"], 1, "cannot be written"),
        (["lot.csv", "-o", "."], 1, "is a folder"),
        (["lot.csv", "-o", "r.pdf"], 2, "name the page"),
        (["lot.csv", "--sheet", "Q"], 1, "has no pair Q; there are P"),
        (["nothing.csv"], 1, "nothing.csv"),
    ],
)
def test_refusals_are_one_line(tmp_path, monkeypatch, arguments, status, why):
    two_skis(tmp_path)
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    done = run(*arguments)
    assert done.exit_code == status and why in done.stderr and "Traceback" not in done.output
    assert sorted(tmp_path.iterdir()) == before


def test_pdf_without_a_browser_is_refused_before_the_work(tmp_path, monkeypatch):
    two_skis(tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path))
    done = run(tmp_path / "lot.csv", "-o", tmp_path / "r.html", "--pdf")
    assert done.exit_code == 1 and "chromium" in done.stderr and not (tmp_path / "r.html").exists()
    assert len(done.stderr.strip().splitlines()) == 1
