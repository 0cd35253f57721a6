"""Pictures of compare, relate and calibrations: the numbers where they belong, the same bytes, hostile names as text."""

from __future__ import annotations

import re
import shutil
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from support.command_line import run
from support.places import DEMO
from support.report_lots import HOSTILE
from support.simulated_lots import measured_ski, ski_row
from support.simulated_snow import Season, season

from taptest.beam.bar import load_bar
from taptest.beam.construction import load_construction
from taptest.beam.predict import SkiMeasurements
from taptest.calibrate.bar import bar_result
from taptest.calibrate.room import BandDecay, RoomResult
from taptest.comparison.compare import compare_measured
from taptest.identify.measured_lot import MeasuredLot
from taptest.identify.predicted import LotPrediction, predict_ski
from taptest.learn.construction import LearnedConstruction, LearnedOrder
from taptest.pairing.pairs import judge_pairs
from taptest.present.plots import style as plots
from taptest.present.plots.calibrations import (
    bar_drawing,
    construction_drawing,
    drift_drawing,
    repeatability_drawing,
    room_drawing,
)
from taptest.present.plots.compare import comparison_drawing, plot_comparison
from taptest.present.plots.modes import plot_prediction, plot_predictions
from taptest.present.plots.pairs import plot_pair, plot_pairs
from taptest.present.plots.picture import save_picture
from taptest.present.plots.relate import plot_relation, relation_drawing
from taptest.screen.result import CheckResult
from taptest.signal.analysis import Mode
from taptest.ski.record import Ski
from taptest.snow.relate import Relation, relate_properties
from taptest.studies.drift import ReferencePoint, follow
from taptest.studies.repeatability import gauge_study
from taptest.studies.repeatability_table import StudyResult
from taptest.tables.lot import Lot

SVG = "{http://www.w3.org/2000/svg}"
NASTY = "<b>&amp;$x^2$\u202e_y"
CLASSIC = load_construction("classic_generic")


def lot(generations=("old", NASTY), count=6):
    skis = []
    for at, generation in enumerate(generations):
        for n in range(count):
            row = ski_row(f"{at}-{n}", generation=generation, mass_kg=0.52 - 0.02 * at + 0.001 * n, balance_m=0.98)
            tone = 30 * (1 + 0.05 * at + 0.003 * n)
            skis.append(measured_ski(row, CLASSIC, {k: (tone * k**1.9, 0.001, 0.01, 0.02) for k in range(1, 6)}))
    table = Lot(Path("lot.csv"), tuple(ski.facts for ski in skis), ())
    return MeasuredLot(table, tuple(skis), {"classic_generic": CLASSIC}, ())


def snow():
    properties, kind, results = season(np.random.default_rng(3), Season(correlation=0.9, own=0.03, kinds=2))
    measures, tests = relate_properties(properties, kind, results)
    skis = tuple(Ski(ski_row(each.ski_id)) for each in properties)
    checked = CheckResult(Lot(Path("lot.csv"), (), ()), skis)
    return Relation(measures, checked, results, tests, 1, ("old classic", NASTY))


def room():
    known = {63.0: (0.9, 0.08, "T10"), 125.0: (0.6, 0.05, "T20"), 250.0: (0.5, 0.02, "T30"), 500.0: (0.4, 0.01, "T30")}
    bands = [BandDecay(hz, *found, 3, 50.0, -95.0, hz == 125.0, "") for hz, found in known.items()]
    lost = BandDecay(1000.0, None, None, "", 0, None, -90.0, False, "the noise is too loud")
    return RoomResult((*bands, lost), None, ("clap.wav",), 3)


# What every mode is off by in the picture of the bar: all by -0.7 %, and each by some parts in a million.
BAR_PPM = (12.0, -8.0, 3.0, 20.0, -15.0)


def bar():
    known = load_bar("steel_bar")
    ladder = known.ladder_hz(5)
    placed = {
        n: [Mode(hz * 0.993 * (1 + 1e-6 * ppm), 1e-6 * hz, 9e-4, 1e-5, -3.0, 4)]
        for n, (hz, ppm) in enumerate(zip(ladder, BAR_PPM, strict=True), start=1)
    }
    return bar_result(replace(known, name=NASTY), placed, 4)


def construction():
    orders = [
        LearnedOrder(n, 9 if n > 1 else 0, 1.03 - 0.004 * n, 0.002, 0.5 if n > 1 else None, 2.5 if n > 1 else None, 0.7)
        for n in range(1, 7)
    ]
    named = replace(CLASSIC, name=NASTY)
    return LearnedConstruction(
        named, NASTY, ("lot.csv",), tuple(orders), (), 11, (), 0.5, 0.2, 0.5, 2.4, 96.0, reshaped=True
    )


def study():
    rng = np.random.default_rng(4)
    values = 120 + 5 * rng.normal(size=(6, 1, 1)) + 0.2 * rng.normal(size=(6, 3, 2))
    gauges = tuple(
        gauge_study(values, quantity=name, unit=unit) for name, unit in (("frequency", "Hz"), ("shift", "%"))
    )
    return StudyResult(NASTY, gauges, ())


# The limits are those of the first twenty, mean ± 2.66 mean moving ranges, so about 0.06; the last one alone is out.
DRIFT_PERCENT = (*(0.0, 0.02, -0.01, 0.015, 0.0, 0.01, -0.02) * 3, 0.3)


def drift(values=DRIFT_PERCENT):
    start = datetime(2026, 11, 2, 8, tzinfo=UTC)
    points = [
        ReferencePoint(
            NASTY,
            start + timedelta(hours=at),
            tuple((hz * (1 + value / 100), 0.001, 0.0) for hz in (52, 143)),
            20.0,
            "a",
        )
        for at, value in enumerate(values)
    ]
    return follow(points)


PICTURES = {
    "compare": lambda: comparison_drawing(compare_measured([lot()])),
    "constructions": lambda: comparison_drawing(compare_measured([lot(HOSTILE, 2)])),
    "relate": lambda: relation_drawing(snow()),
    "room": lambda: room_drawing(room()),
    "bar": lambda: bar_drawing(bar()),
    "construction": lambda: construction_drawing(construction()),
    "repeatability": lambda: repeatability_drawing(study()),
    "drift": lambda: drift_drawing(drift()),
    "first tapping": lambda: drift_drawing(drift((0.0,))),
}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pictures")
    made = {}
    for name, draw in PICTURES.items():
        save_picture(folder / "a.svg", draw)
        made[name] = (folder / "a.svg").read_text(encoding="utf-8")
    return made


def texts(svg):
    return ["".join(each.itertext()) for each in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def marks(svg, role):
    """Places of the filled marks of a colour by shape, in the order in which they were drawn."""
    found = {}
    for shape, x, y in re.findall(rf'<use href="#([^"]+)" x="([\d.]+)" y="([\d.]+)" class="f-{role}', svg):
        found.setdefault(shape, []).append((float(x), float(y)))
    return found


@pytest.mark.parametrize("name", PICTURES)
def test_the_same_bytes_text_as_text_and_colours_of_ours_alone(name, drawn, tmp_path):
    svg = drawn[name]
    save_picture(tmp_path / "again.svg", PICTURES[name])
    assert (tmp_path / "again.svg").read_text(encoding="utf-8") == svg
    tree = ElementTree.fromstring(svg)
    assert tree.get("role") == "img" and len(tree.get("aria-label")) > 60
    assert not re.search(r"\b(nan|None|inf)\b", svg)
    assert 'style="' not in svg and not re.search(r"=\"#[0-9a-f]{6}\"", svg), "a colour that is none of ours"
    assert "<script" not in svg and "\u202e" not in svg and not re.search(r"(href|src)=\"(?!#)|url\((?!#)", svg)
    classes = {each for given in re.findall(r'class="([^"]*)"', svg) for each in given.split()}
    assert len(classes) > 3 and all(f".{each}{{" in plots.STYLESHEET for each in classes)
    # Every word lies within the picture.
    wide, high = (float(each) for each in tree.get("viewBox").split()[2:])
    for x, y in re.findall(r'<text [^>]*?x="([\d.-]+)" y="([\d.-]+)"', svg):
        assert 0 <= float(x) <= wide and 0 <= float(y) <= high


def test_names_that_mean_no_good_are_shown_as_they_are(drawn):
    for name in ("compare", "relate", "bar", "construction", "repeatability", "drift"):
        assert any("<b>&amp;$x^2$" in text for text in texts(drawn[name])), name
    shown = texts(drawn["constructions"])
    assert any(text.startswith("<script>") for text in shown) and any("=HYPERLINK" in text for text in shown)
    assert any("Not drawn: 3 more generations" in text for text in shown)  # nine, and six shapes


def straight(places, numbers):
    """Largest distance of places from a straight function of the numbers."""
    fit = np.polynomial.Polynomial.fit(numbers, places, 1)
    return float(np.abs(fit(np.array(numbers)) - places).max())


def alike(shapes, numbers):
    """The marks of one shape, drawn one after another, whose heights are a straight function of the numbers."""
    for points in shapes.values():
        for at in range(len(points) - len(numbers) + 1):
            some = points[at : at + len(numbers)]
            heights = [y for _, y in some]
            if np.ptp(heights) > 5 and straight(heights, numbers) < 0.05:
                return some
    raise AssertionError("no such marks")


def test_the_bar_s_modes_lie_where_their_numbers_are(drawn):
    shapes = marks(drawn["bar"], "good")
    residuals = alike(shapes, BAR_PPM)
    assert straight([x for x, _ in residuals], np.log([mode.frequency_hz for mode in bar().modes])) < 0.1
    with pytest.raises(AssertionError, match="no such marks"):
        alike(shapes, (12.0, -8.0, 6.0, 20.0, -15.0))  # control: one mode 3 ppm elsewhere


def test_a_point_out_of_the_limits_has_another_colour_and_shape(drawn):
    inside = alike(marks(drawn["drift"], "good"), DRIFT_PERCENT[:-1])
    # One in the key, which is of another size, the last tapping and the last moving range.
    (_key,), (last, moved) = marks(drawn["drift"], "out").values()
    assert last[0] == moved[0] > inside[-1][0]
    assert straight([y for _, y in [*inside, last]], DRIFT_PERCENT) < 0.1
    assert "breaks a rule" in texts(drawn["drift"])
    assert [len(each) for each in marks(drawn["first tapping"], "out").values()] == [1]


def test_what_is_found_is_filled_and_what_is_not_is_hollow():
    relation = snow()
    (measure,) = relation.measures
    assert [each.name for each in measure.correlations if each.found] == ["stiffness", "tone"]
    with plots.style():
        axes = next(
            each for each in relation_drawing(relation).figure.axes if each.get_title(loc="left") == "What goes with it"
        )
    faces = [line.get_markerfacecolor() for line in axes.lines if line.get_marker() == "o"]
    assert faces == ["none", plots.GOOD, plots.GOOD, "none"]


def predicted(*masses_kg):
    given = [SkiMeasurements(1.99, mass_kg, 4500.0, 1.4) for mass_kg in masses_kg]
    return LotPrediction(tuple(predict_ski(CLASSIC, each, ski_id=NASTY) for each in given), ())


def pairs():
    """Two pairs, the second ski of each about 0.3 % higher in every mode."""
    given = lot(("old",), 4)
    skis = [replace(ski, facts=replace(ski.facts, pair_id=f"P{at // 2}")) for at, ski in enumerate(given.skis)]
    return judge_pairs(replace(given, skis=tuple(skis), lot=replace(given.lot, rows=tuple(ski.facts for ski in skis))))


PLOTS = {
    "comparison": lambda ax=None: plot_comparison(compare_measured([lot()]), ax),
    "relation": lambda ax=None: plot_relation(snow(), ax),
    "pairs": lambda ax=None: plot_pairs(pairs(), ax),
    "pair": lambda ax=None: plot_pair(pairs().pairs[0], ax),
    "prediction": lambda ax=None: plot_prediction(predicted(0.50).skis[0], ax),
    "predictions": lambda ax=None: plot_predictions(predicted(0.50, 0.54), ax),
}


@pytest.mark.parametrize("name", PLOTS)
def test_a_result_draws_into_the_axes_it_is_given_and_says_in_words_what_is_there(name):
    from matplotlib.figure import Figure

    axes = Figure().subplots()
    assert PLOTS[name](axes) is axes and axes.lines and len(axes.get_label()) > 40
    assert not re.search(r"\b(nan|None|inf)\b", axes.get_label())
    with plots.style():
        made = PLOTS[name]()
        assert made is not axes and len(made.lines) == len(axes.lines)
        made.figure.canvas.draw()


def test_what_there_is_not_is_said_in_the_axes():
    for axes in (
        plot_comparison(replace(compare_measured([lot()]), sections=())),
        plot_predictions(LotPrediction((), ())),
        plot_pairs(replace(pairs(), pairs=())),
        plot_relation(replace(snow(), measures=())),
    ):
        assert not axes.axison and axes.texts[0].get_text() == axes.get_label()


def test_pairs_lie_where_their_differences_are():
    marks = [line for line in plot_pairs(pairs()).lines if len(line.get_xdata()) == 1]
    both = [(x, y) for line in marks for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)]
    tones = [1 + 0.003 * n for n in range(4)]
    wanted = [200 * (tones[n + 1] - tones[n]) / (tones[n + 1] + tones[n]) for n in (0, 2)]
    assert [y for _, y in both] == [0, 1] and [x for x, _ in both] == pytest.approx(wanted, rel=0.02)


def test_skis_lie_about_the_mean_of_their_kind():
    (measure,) = snow().measures
    assert len(measure.related) == measure.skis
    for name in ("mass", "stiffness", "tone", "damping"):
        for kind in (0, 1):
            own = [ski for ski in measure.related if ski.kind == kind]
            assert sum(ski.properties[name] for ski in own) == pytest.approx(0, abs=1e-9)
            assert sum(ski.result for ski in own) == pytest.approx(0, abs=1e-9)
    # Season.mass scatters by 3 %, which 30 skis fix to a seventh or so.
    assert np.std([ski.properties["mass"] for ski in measure.related]) == pytest.approx(3.0, rel=0.35)


# --- on the command line --------------------------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("clap.flac", "bar.flac", "repeatability.csv", "snow.csv"):
        shutil.copy(DEMO / name, tmp_path)
    return tmp_path


COMMANDS = {
    "room": "calibrate room clap.flac --no-store",
    "bar": "calibrate bar steel_bar bar.flac --no-store",
    "repeatability": "calibrate repeatability repeatability.csv --no-store",
    "drift": "calibrate drift add bar.flac --at 2026-11-02T08:00+00:00",
}
REFUSED = {
    **COMMANDS,
    "drift show": "calibrate drift show",
    "compare": "compare lot.csv",
    "relate": "relate lot.csv snow.csv",
    "construction": "calibrate construction lot.csv --base classic_generic --name Ours -o ours.toml",
}


@pytest.mark.parametrize("name", COMMANDS)
def test_a_calibration_is_drawn_beside_its_table_and_its_json(name, desk):
    done = run(*COMMANDS[name].split(), "--picture", "a.svg")
    assert (done.exit_code, done.stderr) == (0, "") and len(done.stdout.splitlines()) > 5
    assert ElementTree.parse(desk / "a.svg").getroot().get("role") == "img"


@pytest.mark.parametrize("name", REFUSED)
def test_a_picture_that_cannot_be_is_refused_before_any_work(name, desk):
    before = sorted(each.name for each in desk.iterdir())
    done = run(*REFUSED[name].split(), "--picture", "nowhere/a.png")
    assert (done.exit_code, done.stdout, done.stderr.count("\n")) == (1, "", 1)
    assert "there is no folder nowhere" in done.stderr
    assert sorted(each.name for each in desk.iterdir()) == before


def test_generations_and_snow_are_drawn_beside_table_and_json(desk):
    lines = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()
    two = [line for line in lines if line.startswith(("ski_id", "S05L,", "S01L,"))]
    (desk / "lot.csv").write_text("\n".join(two).replace("amber", "<script>") + "\n", encoding="utf-8")
    for name in ("s05l.flac", "s01l.flac"):
        shutil.copy(DEMO / name, desk)
    compared = run("compare", "lot.csv", "--picture", "c.svg", "--json")
    assert compared.exit_code == 0 and compared.stdout.startswith("{")
    assert "<script>" in "".join(texts((desk / "c.svg").read_text(encoding="utf-8")))
    related = run("relate", "lot.csv", "snow.csv", "--picture", "r.png")
    assert related.exit_code == 4  # the other skis of snow.csv are not in this table
    assert "cannot separate skis" in related.stdout and (desk / "r.png").read_bytes().startswith(b"\x89PNG")
