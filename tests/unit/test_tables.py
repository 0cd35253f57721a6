"""Layout and wording of the tables: at 80 and 120 columns, nothing cut, nothing obeyed, every word explained."""

import math
import re
from dataclasses import dataclass

import pytest
from rich.console import Console
from support.result_objects import all_refused, analysis, mode, not_judged, result, tap, verdict, with_problems

from taptest.beam.construction import load_construction
from taptest.beam.predict import SkiMeasurements
from taptest.config.settings import Settings
from taptest.core.fields import Field
from taptest.identify.predicted import Change, LotPrediction, predict_ski
from taptest.present.text.analysis_table import MODE_FLAGS, RECORDING_FLAGS, TAP_REASONS, analysis_view
from taptest.present.text.prediction_table import lot_view, ski_view
from taptest.present.text.tables import CAUTION, fields_legend, fields_table, number, with_u
from taptest.present.text.verdict_table import STYLES, check_view
from taptest.signal.analysis import MODE_FLAGS as ALL_MODE_FLAGS
from taptest.signal.taps import REASONS

MEASUREMENTS = SkiMeasurements(1.9, 0.52, 3200.0, 1.4)


def drawn(view, width=80, encoding="utf-8"):
    """Lines of a view as plain text."""
    console = Console(width=width, highlight=False, markup=False, emoji=False, color_system=None)
    with console.capture() as captured:
        console.print(view, crop=False)
    text = captured.get()
    text.encode(encoding)
    return [line.rstrip() for line in text.splitlines()]


def checked(given=None, width=80):
    return drawn(check_view(given or result(), width), width)


def analysed(given=None, width=80, settings=None):
    return drawn(analysis_view(given or analysis(), settings or Settings(), width), width)


def predicted(change=None, **measurements):
    given = SkiMeasurements(**{**vars(MEASUREMENTS), **measurements})
    return predict_ski(load_construction("classic_generic"), given, change=change or Change(), ski_id="0101")


def one_line(lines):
    return " ".join(" ".join(lines).split())


VIEWS = {
    "check": lambda width: check_view(with_problems(), width),
    "analysis": lambda width: analysis_view(analysis(), Settings(), width),
    "refused": lambda width: analysis_view(all_refused(), Settings(), width),
    "ski": lambda width: ski_view(predicted(Change(3.0, -2.0), binding_mass_kg=0.12), width),
    "lot": lambda width: lot_view(LotPrediction((predicted(Change(3.0)),) * 3, ()), width),
}


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("width", [80, 120])
def test_every_view_fits_and_is_readable_in_cp1252(view, width):
    lines = drawn(VIEWS[view](width), width, encoding="cp1252")
    assert max(map(len, lines)) <= width
    assert not any("…" in line or re.search(r"\bnan\b", line) for line in lines)


LAYOUT_80 = """\
     mass stiff pred.      first      tone        damp
ski     g  N/mm    Hz         Hz % (limit) uneven    % taps score verdict
----------------------------------------------------------------------------
C01L  539  4.44  27.4 ~28.0 ±0.3         -    0.9 1.01  5/5   0.3 pass
C02L  539  4.44  27.4 ~28.0 ±0.3         -    0.9 1.01  2/5   0.3 recheck
C05R  539  4.44  27.4          -         -   14.2 1.01  5/5   3.7 outlier
S04R  539  4.44  27.4          -         -      -    - 0/12     - not judged
"""


def test_the_layout_of_a_check_at_80_columns():
    """A snapshot, of the layout only: the numbers are those of the hand-made result."""
    lines = checked()
    assert lines[: LAYOUT_80.count("\n")] == LAYOUT_80.splitlines()


def test_the_skis_to_act_on_come_last_with_their_reasons_and_then_one_line():
    lines = checked()
    text = one_line(lines)
    order = ["Not judged S04R", "Recheck C02L", "Outliers to confirm C05R", "4 skis: 1 pass"]
    assert [text.index(part) for part in order] == sorted(text.index(part) for part in order)
    assert "4 skis: 1 pass, 1 recheck, 1 outlier, 1 not judged" in lines
    assert "C05R Uneven, mode 3 is 6.1 % low against the others, damping up 60 %: look for a separation." in text
    assert one_line(lines[-2:]) == CAUTION and "strength" in CAUTION and "drilling" in CAUTION


def test_a_lot_without_fault_has_nothing_to_act_on():
    text = one_line(checked(result(verdict(), verdict("C01R"), groups=())))
    assert "2 skis: 2 pass, 0 recheck, 0 outliers, 0 not judged" in text
    assert "to confirm" not in text and "Recheck C" not in text and "Groups" not in text


def test_a_pass_with_a_remark_is_not_hidden():
    text = one_line(checked(result(verdict(reasons=["damping not compared, fewer than 10 skis."]))))
    assert "Passed, with a note C01L Damping not compared, fewer than 10 skis. 1 ski: 1 pass" in text


def test_unread_inputs_are_counted_in_the_summary():
    assert "2 inputs could not be read, named below" in one_line(checked(with_problems()))


def test_groups_say_where_the_limit_comes_from():
    text = one_line(checked())
    assert (
        "1990-2000 mm, bare, 12 skis: centre +1.3 %, spread 0.8 %, limit ±3.4 % from the centre. Basis: two-sided "
        "tolerance limit of the group (95 % confidence, 99 % of skis)."
    ) in text
    assert "1890-1900 mm, bare, 3 skis: no figures. Basis: prediction alone, fewer than 10." in text


def test_whether_the_first_mode_was_heard_is_told():
    lines = checked(result(verdict(), verdict("C01R", first_heard=True), not_judged()))
    assert ["~28.0" in line for line in lines if line.startswith("C01")] == [True, False]
    assert "~ inferred from the higher ones" in one_line(lines) and "~-" not in "".join(lines)


def test_every_verdict_has_a_word_and_a_colour_of_its_own():
    assert set(STYLES) == {"pass", "recheck", "outlier", "not judged"}
    assert len(set(STYLES.values())) == 4


@pytest.mark.parametrize("ski_id", ["[red]7[/red]", ":skull:", "7\x1b[31m", "7\u202e8", "[link=x]7", "\\[7]"])
def test_ids_are_text_and_nothing_in_them_is_obeyed(ski_id):
    given = result(verdict(ski_id), verdict(ski_id + "2", "outlier", [f"like {ski_id[0]}"]))
    console = Console(
        width=120, force_terminal=True, color_system="standard", highlight=False, markup=False, emoji=False
    )
    with console.capture() as captured:
        console.print(check_view(given, 120))
    text = captured.get()
    assert text.isascii() or "\u202e" not in text
    plain = re.sub(r"\x1b\[[0-9;]*m", "", text)
    assert ski_id.encode("unicode_escape").decode().replace("\\\\", "\\") in plain
    assert "\x1b[31m" not in text.replace("\x1b[1;31m", "")


def test_long_and_wide_ids_fold_and_cost_no_numbers():
    lines = checked(result(verdict("0123456789" * 5), verdict("滑雪板" * 8)))
    assert sum(line.count("28.0 ±0.3") for line in lines) == 2
    assert "".join(line[:11].strip() for line in lines[3:8]).startswith("0123456789" * 4)


@pytest.mark.parametrize("width", [80, 120])
def test_large_values_still_fit(width):
    large = verdict(
        "0012L", "not judged", mass_kg=1.5204, stiffness_n_per_m=12345.0, predicted_hz=72.3, measured_hz=61.6,
        measured_u_hz=0.3, first_heard=True, unevenness=123.4, damping_ratio=0.1234, taps_good=10, taps_found=12,
    )  # fmt: skip
    row = next(line for line in checked(result(large, verdict(first_heard=True)), width) if "0012L" in line)
    predicted_hz = "72.3 ±3.0" if width > 100 else "72.3"
    cells = f"0012L 1520 12.35 {predicted_hz} 61.6 ±0.3 - 123.4 12.34 10/12 0.3 not judged"
    assert row.split() == cells.split()


@pytest.mark.parametrize("width", [20, 40, 60, 79])
def test_a_narrow_screen_costs_no_digit(width):
    """Cut off, a damping of 0.90 % would be 0.9 and one of 12.3 % would be 1."""

    def numbers(lines):
        return [cell for line in lines for cell in line.split() if re.fullmatch(r"[+±-]?\d+\.\d+", cell)]

    for view in VIEWS.values():
        wide = drawn(view(80), 80)
        assert sorted(numbers(drawn(view(width), width))) == sorted(numbers(wide))
        assert numbers(wide)


def test_every_reason_against_a_tap_is_explained_with_a_remedy():
    assert tuple(TAP_REASONS) == REASONS
    text = one_line(analysed(all_refused()))
    for reason, (what, remedy) in TAP_REASONS.items():
        assert f"not used: {reason}" in text
        assert f"{reason} {what}: {remedy}." in text
    assert "no tap can be used; see the reasons above" in text
    assert "not used" not in one_line(analysed())


def test_every_flag_of_a_mode_is_explained_where_it_occurs():
    assert tuple(MODE_FLAGS) == ALL_MODE_FLAGS
    text = one_line(analysed(analysis(modes=(mode(flags=ALL_MODE_FLAGS),))))
    for flag, meaning in MODE_FLAGS.items():
        assert f"{flag} {meaning}." in text
        assert f"{meaning}." not in one_line(analysed())


def test_flags_of_the_recording_become_sentences():
    for flag, meaning in RECORDING_FLAGS.items():
        assert f"note {meaning}." in one_line(analysed(analysis(flags=(flag,))))
    assert "note brand-new." in one_line(analysed(analysis(flags=("brand-new",))))


def test_a_mode_is_shown_with_all_that_is_known_of_it():
    (row,) = (line for line in analysed(analysis(modes=(mode(120.0, 0.03, 0.012),))) if "120.00" in line)
    # Derived from the definitions: 2 zeta f; 1/(2 zeta); 3 ln 10/(zeta 2 pi f); 12 log2(f/440) semitones from A4 is B2.
    width_hz, quality, decay_s = 2 * 0.012 * 120, 1 / 0.024, 3 * math.log(10) / (0.012 * 2 * math.pi * 120)
    cents = 1200 * math.log2(120 / 440) + 2200
    expected = f"120.00 ±0.03 1.20 ±0.06 {width_hz:.2f} {quality:.0f} {decay_s:.2f} -13 4 B2 {cents:+.0f}"
    assert row.split() == expected.split()


def test_the_channel_is_named_where_there_are_several():
    assert "channel" not in one_line(analysed()).replace("--channel", "")
    two = analysis(channel=2, channels=2)
    assert "channel 2 of 2: taps stand out most in it" in one_line(analysed(two))
    assert "channel 2 of 2: as asked for" in one_line(analysed(two, settings=Settings(channel=2)))


def test_noise_and_hum_are_told():
    # White noise of density d over a band B has the power d B: 10 log10(1e-12 * 1500) = -88.2, derived.
    text = one_line(analysed())
    assert "noise -88 dB of full scale in the pauses; mains hum of 50 Hz, heard at 150, 200 Hz" in text
    assert "noise" not in one_line(analysed(analysis(noise=None))).replace("above noise", "")


def test_a_recording_without_taps_says_what_to_do():
    text = one_line(analysed(analysis(taps=(), modes=(), flags=("no-tap",))))
    assert "no tap found; tap the hung ski" in text and "0 of 0 taps used" in text


def test_a_path_cannot_steer_the_terminal():
    assert r"\x1b[31mtap.wav" in analysed(analysis(path="\x1b[31mtap.wav"))[0]


def test_one_good_tap_is_one_tap():
    assert "1 of 1 tap used, 1 mode between" in one_line(analysed(analysis(taps=(tap(0),), modes=(mode(),))))


def test_what_one_percent_does_with_and_without_a_binding():
    # f ~ sqrt(k/m): 100 (1.01**-0.5 - 1) = -0.496 %, 600 log2(1.01) = 8.6 cents, derived.
    bare = one_line(drawn(ski_view(predicted(), 80)))
    assert "mass +1 % every bending mode by -0.50 % (-8.6 cents)" in bare
    assert "stiffness +1 % every bending mode by +0.50 % (+8.6 cents)" in bare
    # The binding stays as heavy, so that the modes it rides on move less.
    bound = one_line(drawn(ski_view(predicted(binding_mass_kg=0.12), 80)))
    assert re.search(r"mass \+1 % bending modes by -0\.50 to -0\.4\d %", bound)


def test_predictions_show_orders_torsion_and_warnings():
    text = one_line(drawn(ski_view(predicted(span_m=0.7, stiffness_n_per_m=20_000), 80)))
    assert "bending" in text and "torsion" in text
    assert "0101 a span of 0.7 m bends only the middle" in text
    bare = predict_ski(load_construction("uniform_bar"), MEASUREMENTS)
    says_nothing = bare.prediction.torsion_hz is None
    assert says_nothing == ("says nothing about torsion" in one_line(drawn(ski_view(bare, 80))))


def test_more_modes_of_a_lot_fit_on_a_wider_screen():
    heads = [drawn(lot_view(LotPrediction((predicted(),), ()), width), width)[0] for width in (80, 120)]
    assert heads[0].count("mode") == 5 and heads[1].count("mode") == 8
    assert "No ski of this table can be predicted" in drawn(lot_view(LotPrediction((), ()), 80))[0]


def test_numbers_are_never_nan_never_minus_zero_and_keep_their_uncertainty():
    assert number(None, 1) == number(math.nan, 1) == number(math.inf, 2) == "-"
    assert number(-0.04, 1) == "0.0" and number(-0.06, 1) == "-0.1" and number(2.0, 1, sign=True) == "+2.0"
    assert with_u(120.694, 0.0004, 2) == "120.69 ±0.01"
    assert with_u(1.5, None, 1) == "1.5" and with_u(None, 0.1, 1) == "-" and with_u(1.5, math.nan, 1) == "1.5"


@dataclass(frozen=True)
class _Bar:
    label: str
    first_hz: float | None
    first_u_hz: float | None = None
    damping_ratio: float = 0.004
    taps: int = 3
    flags: tuple[str, ...] = ()


_FIELDS = (
    Field("label", lambda bar: bar.label, "text", heading="bar", align="fold"),
    Field(
        "first_hz", lambda bar: bar.first_hz, heading="first\nHz", decimals=1, u="first_u_hz", help="the lowest mode"
    ),
    Field("first_u_hz", lambda bar: bar.first_u_hz),
    Field("damping_ratio", lambda bar: bar.damping_ratio, heading="damp\n%", decimals=2, scale=100, help="of critical"),
    Field("taps", lambda bar: bar.taps, "integer", heading="taps"),
    Field("flags", lambda bar: bar.flags, "list", heading="flags"),
)


def test_a_table_made_of_fields_has_units_uncertainties_scales_and_marks_what_is_unknown():
    bars = [_Bar("one", 50.04, 0.3, flags=("hum", "single-tap")), _Bar("two", None), _Bar("three", 1200.0, 0.001)]
    lines = [re.split(r" {2,}", line.strip()) for line in drawn(fields_table(_FIELDS, bars, 100), 100, "cp1252")]
    assert lines[:2] == [["first", "damp"], ["bar", "Hz", "%", "taps", "flags"]]
    assert lines[3:] == [
        ["one", "50.0 ±0.3", "0.40", "3", "hum, single-tap"],
        ["two", "-", "0.40", "3"],
        ["three", "1200.0 ±0.1", "0.40", "3"],
    ]


def test_a_table_made_of_fields_shows_the_columns_asked_for_in_their_order_and_obeys_no_cell():
    bars = [_Bar("\x1b[2Jone", 50.0)]
    table = fields_table(_FIELDS, bars, 80, keys=("taps", "label"), styles={"taps": lambda bar: "red" * (bar.taps < 5)})
    lines = drawn(table)
    assert lines[0].split() == ["taps", "bar"] and lines[2].split() == ["3", "\\x1b[2Jone"]
    assert table.columns[0]._cells[0].spans[0].style == "red"
    with pytest.raises(KeyError):
        fields_table(_FIELDS, bars, 80, keys=("mass",))


def test_a_table_made_of_fields_loses_no_digit_where_the_screen_is_narrow():
    lines = drawn(fields_table(_FIELDS, [_Bar("one", 50.04, 0.3, flags=("hum", "single-tap"))], 20), 20)
    assert "50.0 ±0.3" in lines[-1] and "hum, single-tap" in lines[-1]


def test_a_legend_made_of_fields_names_every_column_that_needs_explaining():
    assert fields_legend(_FIELDS) == "first: the lowest mode; damp: of critical."
    assert fields_legend(_FIELDS, keys=("damping_ratio",)) == "damp: of critical."
