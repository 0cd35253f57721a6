"""Pictures of characters: everything stands where its axis says, in dots and in plain ASCII."""

import io
import math

import numpy as np
import pytest
from rich.console import Console
from support.result_objects import placed, verdict
from support.result_objects import result as checked
from support.struck_sounds import struck

from taptest.config.settings import Settings
from taptest.io.recording import from_samples
from taptest.present.text.character_pictures import ladders_view, traces_view
from taptest.present.text.characters import CharacterPicture, even_axis, frequency_axis, shows_dots
from taptest.screen.result import GroupSummary
from taptest.signal.analysis import analyse
from taptest.signal.traces import main_traces

BRAILLE = {chr(code) for code in range(0x2800, 0x2900)}


def written(view, width):
    console = Console(width=width, highlight=False, markup=False, color_system=None, file=io.StringIO())
    console.print(view)
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines())


def frame(x=None, y=None, *, width=80, height=16, dots=False):
    return CharacterPicture(
        x or even_axis(0, 10, "s"), y or even_axis(0, 10, "dB"), width=width, height=height, dots=dots
    )


def cells(picture):
    """The inside of a frame: character by (column, row)."""
    inside = [line.split("|", 1)[1] for line in picture.text().splitlines() if "|" in line[:8]]
    return {(c, r): character for r, line in enumerate(inside) for c, character in enumerate(line) if character != " "}


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("axis", [even_axis(0, 7, "s"), frequency_axis(15, 1500), frequency_axis(30, 20_000)])
def test_ticks_numbers_and_marks_stand_above_each_other(axis, width):
    picture = frame(x=axis, width=width)
    for tick in axis.ticks:
        picture.mark(tick, 5.0, "x")
    lines = picture.text().splitlines()
    assert max(map(len, lines)) <= width
    marks = [at for at, character in enumerate(next(line for line in lines if "x" in line)) if character == "x"]
    rule, numbers = lines[-2:]
    assert marks == [at for at, character in enumerate(rule) if character == "+"][1:]
    assert numbers.endswith(axis.unit)
    for at, tick in zip(marks, axis.ticks, strict=True):
        if f" {tick:g} " in numbers:
            start = numbers.index(f" {tick:g} ") + 1
            assert start <= at <= start + len(f"{tick:g}")


def test_ticks_are_round_numbers():
    assert even_axis(0, 0.31, "s", 8).ticks == pytest.approx([0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3])
    assert even_axis(-70, 8, "dB").ticks == pytest.approx([-60, -40, -20, 0])
    assert frequency_axis(15, 1500).ticks == (20, 50, 100, 200, 500, 1000)
    text = frame(y=even_axis(-0.5, 0.5, "%")).text()
    assert "-0.4 |" in text and " 0.0 |" in text and "-0.0" not in text


@pytest.mark.parametrize("dots", [False, True])
def test_a_straight_line_runs_along_the_diagonal(dots):
    picture = frame(dots=dots)
    picture.line([(0, 0), (10, 10)])
    found = cells(picture)
    assert len(found) >= picture.columns
    for column, row in found:
        # Half a row, as a row is that coarse, and a line is drawn as far as the middle of a column.
        assert abs((1 - (row + 0.5) / picture.rows) - (column + 0.5) / picture.columns) < 1 / picture.rows
    assert set(found.values()) <= (BRAILLE if dots else set(".-'|"))


@pytest.mark.parametrize("dots", [False, True])
def test_a_steep_line_has_no_holes_and_what_leaves_the_frame_runs_along_its_edge(dots):
    picture = frame(dots=dots)
    picture.line([(0, 0), (4.9, 0), (5.0, 400), (5.1, 0), (10, 0)])
    found = cells(picture)
    assert {row for _, row in found} == set(range(picture.rows))
    assert max(row for column, row in found if column < 10) == picture.rows - 1


def test_words_give_way_to_words_and_lines_to_marks():
    picture = frame()
    picture.line([(0, 5), (10, 5)])
    picture.mark(5, 5, "o")
    assert picture.word(5, 5, "120")
    assert not picture.word(5.2, 5, "121")
    assert picture.word(9.99, 9.99, "1400") and picture.word(0, 0, "15")
    lines = picture.text().splitlines()
    assert sum("120" in line for line in lines) == 1 and not any("121" in line for line in lines)
    assert lines[0].endswith("1400")  # pushed inwards, not over the edge
    assert [line for line in lines if "o" in line] and "120" in lines[
        lines.index(next(x for x in lines if "o" in x)) - 1
    ]


def test_a_mark_beyond_the_axes_is_left_out_and_one_under_a_line_gives_way():
    picture = frame()
    picture.mark(11, 5, "x")
    picture.mark(5, -1, "x")
    picture.line([(0, 5), (10, 5)])
    picture.mark(5, 5, "_", under=True)
    picture.mark(5, 2, "_", under=True)
    assert "x" not in picture.text()
    assert list(cells(picture).values()).count("_") == 1


@pytest.mark.parametrize(
    ("encoding", "dots"),
    [("utf-8", True), ("UTF8", True), ("cp1252", False), ("ascii", False), (None, False), ("no-such", False)],
)
def test_dots_only_where_they_can_be_shown(encoding, dots):
    assert shows_dots(encoding) == dots


# --- what they show ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def heard():
    """Three modes of known frequency and damping (closed form), and what is drawn of them."""
    modes = ((120.0, 0.010, 0.5), (300.0, 0.008, 1.0), (700.0, 0.010, 0.3))
    sound = struck(np.random.default_rng(5), [0.6, 2.4, 4.2], seconds=6, rate_hz=16_000, snr_db=55, modes=modes)
    recording = from_samples(sound, 16_000)
    settings = Settings(high_hz=1000)
    return main_traces(recording, analyse(recording, settings), settings)


def test_a_thinned_spectrum_loses_no_peak(heard):
    spectrum = heard.spectrum
    frequencies, levels = spectrum.thinned(60)
    assert len(frequencies) <= 60 and np.all(np.diff(frequencies) > 0)
    # Each of the three peaks is the highest bin near it, and the top of all is there.
    assert levels.max() == spectrum.level_db.max() == 0.0
    for frequency_hz in (120, 300, 700):
        near = np.abs(spectrum.frequencies_hz / frequency_hz - 1) < 0.02
        assert spectrum.level_db[near].max() in levels


@pytest.mark.parametrize("dots", [False, True])
@pytest.mark.parametrize("width", [80, 120])
def test_every_mode_has_its_peak_and_its_number(heard, width, dots):
    text = written(traces_view(heard, width, dots=dots), width)
    lines = text.splitlines()
    spectrum = lines[1:17]
    assert max(map(len, lines)) <= width
    assert bool(BRAILLE & set(text)) == dots and text.isascii() != dots
    columns = width - 7
    for frequency_hz in (120, 300, 700):
        # Place on a logarithmic axis from 15 to 1000 Hz, derived; the lowest bin lies a little above 15 Hz.
        expected = math.log(frequency_hz / 15) / math.log(1000 / 15) * columns
        (line,) = (at for at, each in enumerate(spectrum) if f"{frequency_hz}" in each[7:] and "dB" not in each)
        assert abs(spectrum[line].index(f"{frequency_hz}", 7) + 1 - 7 - expected) <= 2
        assert "o" in spectrum[line + 1][spectrum[line].index(f"{frequency_hz}", 7) :][:3]


def test_the_fitted_decay_falls_as_the_damping_says(heard):
    lines = written(traces_view(heard, 80, dots=False), 80).splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("Decay of the strongest mode, 300.0 Hz"))
    picture = lines[start + 1 : start + 13]
    numbers = [(at, float(line[:5])) for at, line in enumerate(picture) if line[:5].strip()]
    (top, high), (bottom, low) = numbers[0], numbers[-1]
    per_row = (high - low) / (bottom - top)
    marks = [(line.index("o", 7) - 7, at) for at, line in enumerate(picture) if "o" in line[7:]]
    end_s = float(heard.decays[0].time_s[-1])
    # A level falls by 54.6 zeta f dB a second: 20 log10(e) times zeta times 2 pi f; derived.
    (c0, r0), (c1, r1) = marks[0], marks[-1]
    slope = (r1 - r0) * per_row / ((c1 - c0) * end_s / 73)
    assert slope == pytest.approx(20 * math.log10(math.e) * 0.008 * 2 * math.pi * 300, rel=0.15)  # a row of characters
    assert f"60 dB in {3 * math.log(10) / (0.008 * 2 * math.pi * 300):.2f} s" in " ".join(lines)


def ski(ski_id, deviations, word="pass", group=0):
    modes = tuple(
        placed(order=n, frequency_hz=100 * n * (1 + d / 100), predicted_hz=100.0 * n) for n, d in deviations.items()
    )
    return verdict(ski_id, word, modes=modes, group=group)


@pytest.mark.parametrize("width", [80, 120])
def test_ladders_show_who_lies_where(width):
    plain = {n: 0.0 for n in range(2, 7)}
    group = GroupSummary("classic_generic", 1990, 1990, False, 4, 0.0, 0.5, 2.0, "group")
    skis = [ski(f"C{n}", plain) for n in range(3)]
    skis.append(ski("low \x1b[2J", {n: -5.0 for n in plain}, "outlier"))
    skis.append(ski("dip", {**plain, 4: -8.0}, "recheck"))
    skis.append(ski("elsewhere", {2: 40.0}, "outlier", group=None))
    text = written(ladders_view(checked(*skis, groups=(group,)), width, dots=False), width)
    lines = text.splitlines()
    picture = [line for line in lines if "|" in line[:8]]
    assert text.isascii() and max(map(len, lines)) <= width
    rows = {line[:5].strip(): at for at, line in enumerate(picture) if line[:5].strip()}
    lows = [at for at, line in enumerate(picture) if line[7:].count("A") == 5]
    dips = [at for at, line in enumerate(picture) if line[7:].count("B") == 1]
    assert len(lows) == 1 and rows["-4"] < lows[0] < rows["-6"]
    assert len(dips) == 1 and abs(dips[0] - rows["-8"]) <= 1
    # The dip stands above the number of its mode.
    below = next(at for at, line in enumerate(lines) if line.startswith("      +"))
    rule, numbers = lines[below : below + 2]
    assert rule[picture[dips[0]].index("B", 7)] == "+" and numbers[picture[dips[0]].index("B", 7)] == "4"
    words = " ".join(text.split())
    assert "A: low \\x1b[2J, outlier; B: dip, recheck." in words and "elsewhere" not in words
