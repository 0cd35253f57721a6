"""The look of the pictures: colours that every eye tells apart, text that stays text, the same bytes every time."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from itertools import combinations

import numpy as np
import pytest
from support.result_objects import result, verdict

from taptest.present.plots import style as plots
from taptest.present.plots.lot import plot_damping, plot_ladder, plot_shifts, plot_stiffness, plot_tones
from taptest.present.plots.picture import picture
from taptest.present.plots.svg import write_picture
from taptest.screen.result import GroupSummary

SVG = "{http://www.w3.org/2000/svg}"


def linear(colour):
    """sRGB to linear light (IEC 61966-2-1, the constants as WCAG 2.x writes them)."""
    share = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    """Contrast ratio of WCAG 2.1, 1.4.3."""
    low, high = sorted(float(np.array([0.2126, 0.7152, 0.0722]) @ linear(each)) for each in (one, other))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("dark", [0, 1])
def test_contrast(dark):
    paper, band = plots.COLOURS["paper"][dark], plots.COLOURS["band"][dark]
    for role in ("ink", "soft", "good", "near", "out", "void", "fit"):
        # 4.5 for text, 3 for what is drawn (WCAG 2.1, 1.4.3 and 1.4.11).
        assert contrast(plots.COLOURS[role][dark], paper) >= 4.5, role
        assert contrast(plots.COLOURS[role][dark], band) >= 3, role
    assert contrast("#777777", "#ffffff") == pytest.approx(
        4.48, abs=0.01
    )  # the well-known example just below 4.5 [memory]


# Machado, Oliveira and Fernandes, IEEE Trans. Visual. Comput. Graph. 15 (2009) 1291: complete colour blindness [memory].
# Each row of such a matrix sums to 1, as grey stays grey; checked below.
BLINDNESS = {
    "red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "none": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
}
# CIE 15: linear sRGB to XYZ (IEC 61966-2-1), then L*a*b* for D65.
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def lab(light):
    x = XYZ @ np.clip(light, 0, 1) / (XYZ @ np.ones(3))
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("dark", [0, 1])
@pytest.mark.parametrize("blindness", BLINDNESS)
def test_verdicts_differ_for_every_eye_by_colour_and_by_shape(blindness, dark):
    matrix = np.array(BLINDNESS[blindness])
    assert matrix.sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-5)
    for one, other in combinations(("good", "near", "out"), 2):
        seen = [lab(matrix @ linear(plots.COLOURS[role][dark])) for role in (one, other)]
        # About 2.3 is just noticeable; ten times that is another colour (common practice, no source).
        assert np.linalg.norm(seen[0] - seen[1]) > 23, (one, other)
    shapes = [shape for _, shape in plots.VERDICTS.values()]
    assert len(set(shapes)) == len(shapes)


def test_two_alike_colours_would_be_seen():
    matrix = np.array(BLINDNESS["green"])
    # The classic pair: a red and a green of the same lightness.
    assert np.linalg.norm(lab(matrix @ linear("#c0392b")) - lab(matrix @ linear("#7f8c1b"))) < 23


def lot():
    """A lot with an outlier, a recheck and names that mean no good."""
    skis = [
        verdict(
            f"C{n:02d}", predicted_hz=26 + n / 4, measured_hz=26.3 + n / 4, shift_percent=0.1 * n, first_heard=n != 7
        )
        for n in range(9)
    ]
    skis += [
        verdict("<b>&amp;$x^2$", "outlier", ["uneven"], predicted_hz=27.5, measured_hz=25.5, shift_percent=-5.0),
        verdict(' d="M 0 0"', "recheck", ["near"], predicted_hz=28.0, measured_hz=29.0, shift_percent=2.9),
    ]
    return result(*skis)


GROUP = GroupSummary("classic_generic", 1990, 1990, False, 11, 1.0, 0.5, 3.4, "test")


def all_pictures():
    with plots.style():
        given = lot()
        return [
            picture(plot_tones(given), "tones"),
            picture(plot_shifts(given), "shifts"),
            picture(plot_ladder(GROUP, given.skis), "g0l"),
            picture(plot_damping(GROUP, given.skis), "g0d"),
            picture(plot_stiffness(GROUP, given.skis), "g0s"),
        ]


@pytest.fixture(scope="module")
def pictures():
    return all_pictures()


def test_the_same_bytes_every_time(pictures):
    assert [each.svg for each in all_pictures()] == [each.svg for each in pictures]


def test_a_users_own_settings_change_nothing(pictures):
    import matplotlib

    with matplotlib.rc_context({"svg.fonttype": "path", "font.size": 20, "lines.linewidth": 9}):
        assert [each.svg for each in all_pictures()] == [each.svg for each in pictures]


def test_text_is_text_and_foreign_text_nothing_else(pictures):
    for each in pictures[:2]:
        tree = ElementTree.fromstring(each.svg)
        texts = ["".join(each.itertext()) for each in tree.iter(f"{SVG}text")]
        assert "<b>&amp;$x^2$" in texts and any("Hz" in text or "%" in text for text in texts)
        assert [text.strip() for text in texts if "M 0" in text] == ['d="M 0 0"']
        assert tree.get("role") == "img" and "<b>" in tree.get("aria-label")


def test_colours_follow_the_page_and_nothing_is_styled_inline(pictures):
    for each in pictures:
        assert 'style="' not in each.svg and "<style" not in each.svg
        assert not re.search(r"=\"#[0-9a-f]{6}\"", each.svg), "a colour that is none of ours"
        classes = {name for given in re.findall(r'class="([^"]*)"', each.svg) for name in given.split()}
        assert classes and all(f".{name}{{" in plots.STYLESHEET for name in classes)


def test_every_reference_is_to_the_picture_itself(pictures):
    seen = set()
    for each in pictures:
        ids = re.findall(r' id="([^"]+)"', each.svg)
        assert set(re.findall(r'(?:href="|url\()#([^")]+)', each.svg)) <= set(ids)
        assert not seen & set(ids)
        seen |= set(ids)


def test_marks_lie_where_the_numbers_are(pictures):
    """Places of the verdicts' marks in the lot picture are a straight function of the numbers; with others they are not."""
    uses = [
        (float(x), float(y))
        for x, y in re.findall(r'<use href="#tones-[^"]+" x="([\d.]+)" y="([\d.]+)" class="f-', pictures[0].svg)
    ]
    skis = lot().skis
    points = {(round(ski.predicted_hz, 3), round(ski.first_mode_hz, 3)): ski for ski in skis}

    def residual(numbers):
        best = np.inf
        for start in range(len(uses) - len(numbers) + 1):
            x, y = np.array(uses[start : start + len(numbers)]).T
            fits = [
                np.polynomial.Polynomial.fit(values, place, 1, full=True)[1][0]
                for values, place in zip(np.array(numbers).T, (x, y), strict=True)
            ]
            best = min(best, *[max(float(each[0]) if len(each) else 0.0 for each in fits)])
        return best

    passed = [point for point, ski in points.items() if ski.verdict == "pass" and ski.first_mode_source == "heard"]
    assert residual(passed) < 0.1
    assert residual([(x, y + (0.3 if n == 4 else 0)) for n, (x, y) in enumerate(passed)]) > 1


def test_what_was_inferred_is_hollow_and_said_in_words():
    with plots.style():
        axes = plot_tones(lot())
    faces = {len(line.get_xdata()): line.get_markerfacecolor() for line in axes.lines if line.get_marker() == "o"}
    assert faces == {8: plots.GOOD, 1: "none"}
    assert "8 heard (filled), 3 inferred from the higher modes (hollow)" in axes.get_label()


def test_a_plot_draws_into_the_axes_that_it_is_given_and_makes_its_own_otherwise():
    from matplotlib.figure import Figure

    for draw in (plot_tones, plot_shifts):
        mine = Figure().subplots()
        assert draw(lot(), mine) is mine and mine.lines and draw(lot()) is not mine


def test_a_picture_on_its_own(tmp_path):
    with plots.style():
        figure = plots.new_figure(100)
        plots.dress(figure.add_subplot(), x="frequency, Hz", y="level, dB").plot([1, 2], [1, 4], color=plots.GOOD)
        write_picture(figure, str(tmp_path / "p.svg"), "A line.")
        write_picture(figure, str(tmp_path / "p.png"), "A line.")
        first = (tmp_path / "p.png").read_bytes()
        write_picture(figure, str(tmp_path / "p.png"), "A line.")
    svg = (tmp_path / "p.svg").read_text(encoding="utf-8")
    assert "prefers-color-scheme:dark" in svg and "--good:#1d5fa8" in svg and ElementTree.fromstring(svg) is not None
    assert first.startswith(b"\x89PNG") and (tmp_path / "p.png").read_bytes() == first


def test_nothing_to_draw_gives_no_picture():
    with plots.style():
        silent = result(verdict("A", "not judged", measured_hz=None, modes=()))
        for axes in (plot_tones(silent), plot_shifts(silent)):
            assert picture(axes, "x") is None and axes.texts[0].get_text() == axes.get_label()
        for draw in (plot_ladder, plot_damping, plot_stiffness):
            assert picture(draw(GROUP, silent.skis), "x") is None
