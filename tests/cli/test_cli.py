"""The commands from outside: exit status, what goes where, encodings, and that nothing ends in a traceback."""

import json
import math
import os
import shlex
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
from support import command_line
from support.command_line import run
from support.places import ROOT

import taptest.io.recording
from taptest.cli import output
from taptest.pairing.limits import QUANTITIES

DEMO = ROOT / "recordings_demo"
COMMANDS = ("check", "pairs", "compare", "analyse", "predict", "play")
ONE_SKI = (
    "--construction",
    "uniform_bar",
    "--length",
    "1.9 m",
    "--mass",
    "520 g",
    "--stiffness",
    "3.2 N/mm",
    "--span",
    "1400",
)


def start(*arguments, **environment):
    """As a user does, in the clone."""
    return command_line.start(*arguments, cwd=ROOT, env=environment)


@pytest.fixture
def recording(tmp_path):
    return Path(shutil.copy(DEMO / "c01l.flac", tmp_path / "tap.flac"))


@pytest.fixture
def table(tmp_path, recording):
    path = tmp_path / "lot.csv"
    path.write_text(
        "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
        "[b]1[/b],classic_generic,1990,539,4.438,1400,tap.flac\n"
        "02,classic_generic,1990,539,4.438,1400,\n"
    )
    return path


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)])
def test_every_command_helps(command):
    result = run(*command, "--help")
    assert result.exit_code == 0 and result.stderr == ""
    assert "Usage: " in result.stdout
    text = " ".join(result.stdout.split())
    for option in [word for word in text.split() if word.startswith("--")]:
        # Every option is followed by words that explain it, not by the next option.
        rest = text.split(f"{option} ", 1)[-1].split()
        assert len(rest) > 2
    if command:
        assert "--json" in text


def test_help_lists_the_commands_and_the_exit_status():
    text = " ".join(run("--help").stdout.split())
    for name in COMMANDS:
        assert f" {name} " in text
    for status in ("0 done", "1 failed", "2 wrong usage", "3 outliers", "4 done but part"):
        assert status in text


@pytest.mark.parametrize("command", COMMANDS)
def test_the_readme_shows_every_command(command):
    assert f"taptest {command}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_version_is_that_of_the_installed_package():
    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"taptest {version('taptest')}\n")


WRONG_USAGE = [
    ((), "Usage"),
    (("chekc",), "No such command"),
    (("check",), "Missing argument"),
    (("analyse",), "Missing argument"),
    (("analyse", "--colour"), "No such option"),
    (("check", "a.csv", "b.csv"), "unexpected extra argument"),
    (("check", "a.csv", "--fail-on", "pass"), "'pass' is not"),
    (("analyse", "a.wav", "--low", "2000", "--high", "100"), "must be at least 5 Hz and below the upper"),
    (("analyse", "a.wav", "--low", "nan"), "a number of hertz"),
    (("analyse", "a.wav", "--high", "inf"), "a number of hertz"),
    (("analyse", "a.wav", "--low", "deep"), "'--low': Input should be a valid number"),
    (("analyse", "a.wav", "--room", "-1"), "0.05 to 20 s"),
    (("analyse", "a.wav", "--room", "nan"), "0.05 to 20 s"),
    (("analyse", "a.wav", "--channel", "0"), "--channel"),
    (("pairs", "lot.csv", "--mass", "10/5"), "the second not below it"),
    (
        ("pairs", "lot.csv", "--stiffness", "stiff"),
        "write such as 5/10 (matched up to 5 %, close up to 10 %), 5, or off",
    ),
    (("pairs", "lot.csv", *(f"--{name}=off" for name in QUANTITIES)), "everything is off"),
    (("pairs", "a.csv", "b.csv"), "unexpected extra argument"),
    (("compare",), "Missing argument"),
    (("compare", "lot.csv", "--by", "colour"), "'colour' is not"),
    (("compare", "lot.csv", "--length", "1.9"), "1.9 mm is outside 300 to 2600 mm"),
    (("compare", "lot.csv", "--length", "nan"), "nan mm is outside 300 to 2600 mm"),
    (("predict",), "give a table, or --construction"),
    (("predict", "--length", "1900"), "shipped constructions: classic_generic"),
    (("predict", "--construction", "uniform_bar"), "--length / --mass / --stiffness / --span"),
    (("predict", "lot.csv", "--span", "1400"), "leave one of them out"),
    (("predict", *ONE_SKI, "--mass", "0.52"), "looks like kilograms; write '0.52 kg' or 520"),
    (("predict", *ONE_SKI, "--length", "1.9"), "looks like metres; write '1.9 m' or 1900"),
    (("predict", *ONE_SKI, "--length", "6 ft"), "'ft' is no unit for it; write one of mm, cm, m"),
    (("predict", *ONE_SKI, "--length", "long"), "found 'long', which is not a number"),
    (("predict", *ONE_SKI, "--length", "1,900"), "write 1900 or 1.900"),
    (("predict", *ONE_SKI, "--stiffness", "3200"), "looks like N/m; write '3200 N/m' or 3.2"),
    (("predict", *ONE_SKI, "--change-mass", "-100"), "above -100"),
    (("predict", *ONE_SKI, "--change-stiffness", "nan"), "above -100"),
]


@pytest.mark.parametrize(("arguments", "part"), WRONG_USAGE, ids=[" ".join(case[0])[-40:] for case in WRONG_USAGE])
def test_wrong_usage_ends_with_2_and_says_what_is_accepted(arguments, part):
    result = run(*arguments)
    assert result.exit_code == 2
    assert part in " ".join((result.stderr + (result.stdout if not arguments else "")).split())
    assert "Traceback" not in result.output


def test_a_missing_or_impossible_input_ends_with_1_and_a_remedy(tmp_path, recording):
    for arguments, part in (
        (("check", tmp_path / "lot.csv"), f"lot.csv: not found in {tmp_path}; check the name and the folder"),
        (("predict", tmp_path), "is a folder; name the table in it"),
        (("analyse", tmp_path / "no.wav"), "no.wav: not found in"),
        (("analyse", recording, "--channel", "2"), "channel 2 asked for, but it has 1"),
        (("predict", *ONE_SKI, "--construction", "nope"), "known are classic_generic"),
        (("predict", *ONE_SKI, "--stiffness", "225"), "looks like a flattening stiffness"),
        (("predict", *ONE_SKI, "--binding-mass", "600"), "is as hung and must include it"),
    ):
        result = run(*arguments)
        assert (result.exit_code, result.stdout) == (1, "")
        assert result.stderr.startswith("taptest: ") and part in result.stderr
        assert result.stderr.count("\n") == 1


def test_one_bad_recording_does_not_stop_the_others(tmp_path, recording):
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"RIFF")
    result = run("analyse", bad, recording, "--json")
    assert result.exit_code == 4
    assert [each["path"] for each in json.loads(result.stdout)["recordings"]] == [str(recording)]
    assert "bad.wav" in result.stderr and result.stderr.count("\n") == 1
    assert run("analyse", recording).exit_code == 0  # control: without the bad one nothing is amiss
    assert run("analyse", bad, "--json").exit_code == 1


def test_a_path_is_given_back_as_it_was_given(recording, monkeypatch):
    monkeypatch.chdir(recording.parent)
    result = run("analyse", "./tap.flac", "--json")
    assert json.loads(result.stdout)["recordings"][0]["path"] == "./tap.flac"


def test_check_names_every_ski_and_takes_brackets_for_text(table):
    result = run("check", table, env={"COLUMNS": "120"})
    assert result.exit_code == 0
    assert "[b]1[/b]" in result.stdout
    assert "2 skis: " in result.stdout
    words = json.loads(run("check", table, "--json").stdout)
    assert [ski["ski_id"] for ski in words["skis"]] == ["[b]1[/b]", "02"]
    assert words["skis"][1]["verdict"] == "not judged"


@pytest.mark.slow
def test_outliers_end_with_3_only_when_asked_for(table, monkeypatch):
    from support.result_objects import result as checked
    from support.result_objects import verdict, with_problems

    for given, options, status in (
        (checked(), (), 0),
        (checked(), ("--fail-on", "outlier"), 3),
        (checked(verdict(), verdict("C01R")), ("--fail-on", "outlier"), 0),
        (with_problems(), (), 4),
        (with_problems(), ("--fail-on", "outlier"), 3),
    ):
        monkeypatch.setattr("taptest.screen.check.check_measured", lambda measured, given=given, **how: given)
        outcome = run("check", table, *options)
        assert outcome.exit_code == status
        assert ("lot.csv line 7, column mass_g" in outcome.stderr) == bool(given.problems)


def test_one_ski_agrees_with_the_closed_form_of_a_uniform_bar():
    document = json.loads(run("predict", *ONE_SKI, "--change-mass", "4", "--json").stdout)
    (ski,) = document["skis"]
    # Free-free Euler-Bernoulli beam and k = 48 EI / S^3; roots of cos x cosh x = 1, derived (Thomson, Theory of
    # Vibration, appendix D, gives their squares 22.3733 and 61.6728).
    bending_stiffness = 3200 * 1.4**3 / 48
    for mode, root in zip(ski["bending"], (4.7300407449, 7.8532046241), strict=False):
        expected = root**2 / (2 * math.pi * 1.9**2) * math.sqrt(bending_stiffness * 1.9 / 0.52)
        assert mode["frequency_hz"] == pytest.approx(expected, rel=2e-4)  # the elements' own error
        assert mode["frequency_hz"] != pytest.approx(expected * 1.01, rel=2e-4)
    # Frequency goes as the root of stiffness over mass; a cent is the 1200th part of an octave.
    assert ski["change"]["frequency_percent"][0] == pytest.approx(100 * (1.04**-0.5 - 1), rel=1e-6)
    assert ski["change"]["cents"][2] == pytest.approx(-600 * math.log2(1.04), rel=1e-6)


def test_units_in_values_mean_what_they_say():
    plain = run(
        "predict",
        "--construction",
        "uniform_bar",
        "--length",
        "1900",
        "--mass",
        "520",
        "--stiffness",
        "3.2",
        "--span",
        "140 cm",
    )
    assert plain.exit_code == 0
    assert plain.stdout == run("predict", *ONE_SKI).stdout
    assert plain.stdout == run("predict", *ONE_SKI, "--stiffness", "3200N/m", "--mass", "0,52 kg").stdout
    assert plain.stdout != run("predict", *ONE_SKI, "--stiffness", "3300 N/m").stdout


def test_predict_shows_orders_notes_and_what_one_percent_does():
    text = run("predict", *ONE_SKI).stdout
    assert "mass +1 %" in text and "stiffness -1 %" in text
    assert "every bending mode by -0.50 % (-8.6 cents)" in text  # 100 (1.01^-0.5 - 1) = -0.496; 600 log2(1.01) = 8.61
    moved = run("predict", *ONE_SKI, "--binding-mass", "120", "--change-mass", "10").stdout
    assert "mass +10 % (of the ski without its binding)" in " ".join(moved.split())


def test_predict_takes_a_table_and_names_the_skis_that_lack_something(tmp_path):
    path = tmp_path / "lot.csv"
    path.write_text(
        "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
        "good,uniform_bar,1900,520,3.2,1400,\n"
        "odd,no_such,1900,520,3.2,1400,\n"
        "bad,uniform_bar,1900,0.52,3.2,1400,\n"
    )
    result = run("predict", path, "--change-stiffness", "2")
    assert result.exit_code == 4
    assert (
        "good" in result.stdout and "+1.0% +17c" in result.stdout
    )  # 100 (1.02^0.5 - 1) = 0.995; 600 log2(1.02) = 17.1
    assert "lot.csv line 3, column construction, ski odd: construction 'no_such' is not known" in result.stderr
    assert "lot.csv line 4, column mass_g" in result.stderr
    assert run("predict", DEMO / "lot.csv").exit_code == 0


def test_an_unknown_construction_is_named_where_it_stands_and_the_others_are_judged(tmp_path):
    shutil.copy(DEMO / "c01l.flac", tmp_path)
    path = tmp_path / "lot.csv"
    path.write_text(
        "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
        "good,classic_generic,1990,539,4.438,1400,c01l.flac\n"
        "odd,classic_genric,1990,539,4.438,1400,\n"
        "other,classic_genric,1990,539,4.438,1400,\n"
    )
    result = run("check", path)
    assert result.exit_code == 4 and "1 pass" in result.stdout and "2 not judged" in result.stdout
    assert "lot.csv line 3 and 1 more, column construction: construction 'classic_genric' is not known" in result.stderr
    assert "did you mean 'classic_generic'?" in result.stderr


@pytest.fixture
def pile(tmp_path):
    """Two generations of four untapped skis each, in two pairs each, and a good ski's bad neighbour."""
    path = tmp_path / "pile.csv"
    lines = [
        f"{name}{n},{name}{n // 2},{'LR'[n % 2]},{name},classic_generic,1990,{grams + n},4.{4 + n},1400"
        for name, grams in (("old", 540), ("new", 500))
        for n in range(4)
    ]
    heading = "ski_id,pair_id,side,generation,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm"
    path.write_text("\n".join([heading, *lines, "bad,x,L,new,classic_generic,1990,0.5,4.4,1400", ""]))
    return path


def test_pairs_names_what_it_cannot_read_and_does_the_rest(pile):
    result = run("pairs", pile)
    assert result.exit_code == 4 and "pile.csv line 10, column mass_g" in result.stderr
    assert "4 pairs: 3 matched" in result.stdout or "4 pairs: 4 matched" in result.stdout
    document = json.loads(run("pairs", pile, "--pile", "--json", "--mass", "2/4").stdout)
    assert document["limits"]["mass_g"] == {"matched": 2.0, "close": 4.0}
    assert len(document["pairs"]) == 4 and document["pile"]


def test_limits_come_from_a_file_and_options_go_before_it(pile, tmp_path):
    limits = tmp_path / "limits.toml"
    limits.write_text('schema = "taptest.pairlimits/1"\n[matched]\nmass_g = 1\n[close]\nmass_g = 2\n')
    for options, expected in (((), 2.0), (("--mass", "3/7"), 7.0)):
        document = json.loads(run("pairs", pile, "--json", "--limits", limits, *options).stdout)
        assert document["limits"]["mass_g"]["close"] == expected
    assert "mass_g" not in json.loads(run("pairs", pile, "--json", "--mass", "off").stdout)["limits"]
    missing = run("pairs", pile, "--limits", tmp_path / "none.toml")
    assert missing.exit_code == 1 and missing.stderr.count("\n") == 1 and "cannot be read" in missing.stderr


def test_compare_goes_on_without_a_table_that_cannot_be_read(pile, tmp_path):
    result = run("compare", tmp_path / "nope.csv", pile)
    assert result.exit_code == 4 and "new against old" in result.stdout
    assert "nope.csv: not found" in result.stderr and "pile.csv line 10" in result.stderr
    both = run("compare", tmp_path / "nope.csv", pile, "--against", "blue")
    assert both.exit_code == 1 and both.stdout == ""
    assert "nope.csv: not found" in both.stderr and "there is no generation 'blue'; there are old, new" in both.stderr
    document = json.loads(run("compare", pile, "--json", "--length", "2000").stdout)
    assert document["schema"] == "taptest.compare/1" and document["length_mm"] == 2000


@pytest.mark.slow
def test_pictures_and_tables_of_compare_are_plain_in_every_encoding(pile):
    texts = [
        start("compare", pile, PYTHONIOENCODING=encoding).stdout.decode(encoding)
        for encoding in ("utf-8", "cp1252", "ascii")
    ]
    assert texts[0] == texts[1] and "\\" not in texts[0] + texts[2]


@pytest.mark.parametrize(
    "failure", [ZeroDivisionError("x\x1b[31m"), RecursionError(), MemoryError("big"), KeyError("k")]
)
def test_an_unexpected_failure_is_one_line_that_asks_for_a_report(recording, monkeypatch, failure):
    def fail(*_):
        raise failure

    monkeypatch.setattr(taptest.io.recording, "read_recording", fail)
    result = run("analyse", recording)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
    assert result.stderr.startswith(f"taptest: internal error: {type(failure).__name__}")
    assert "please report it" in result.stderr and "\x1b" not in result.stderr
    monkeypatch.setenv("TAPTEST_DEBUG", "1")
    assert run("analyse", recording).exception is failure


def test_an_interrupt_ends_at_once_and_quietly(recording, monkeypatch):
    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(taptest.io.recording, "read_recording", interrupt)
    result = run("analyse", recording)
    assert (result.exit_code, result.stderr) == (130, "taptest: stopped\n")


def test_as_a_process_a_missing_table_is_one_line():
    done = start("check", "nowhere/lot.csv")
    assert (done.returncode, done.stdout) == (1, b"")
    assert done.stderr.decode().count("\n") == 1 and "Traceback" not in done.stderr.decode()
    assert start("--version").stdout == f"taptest {version('taptest')}\n".encode()


@pytest.mark.skipif(os.name != "posix", reason="needs a shell with pipes that close")
@pytest.mark.parametrize("options", ["", "--json"])
def test_a_reader_that_leaves_early_is_no_failure_worth_a_message(options):
    command = f"'{sys.executable}' -m taptest predict recordings_demo/lot.csv {options} | head -n 1"
    done = subprocess.run(command, shell=True, cwd=ROOT, capture_output=True, timeout=60)
    assert done.stderr == b"" and done.stdout.count(b"\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("options", [(), ("--json",)])
def test_a_full_disk_is_named(options):
    with Path("/dev/full").open("wb") as full:
        command = [sys.executable, "-m", "taptest", "predict", *ONE_SKI, *options]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, timeout=60)
    assert done.returncode == 1
    assert done.stderr.startswith(b"taptest: the system refused: ") and done.stderr.count(b"\n") == 1


def test_linear_algebra_gets_one_thread_unless_the_user_says_otherwise(monkeypatch):
    monkeypatch.setattr(os, "environ", {"OMP_NUM_THREADS": "3"})
    output.prepare_process()
    assert (os.environ["OPENBLAS_NUM_THREADS"], os.environ["OMP_NUM_THREADS"]) == ("1", "3")


@pytest.mark.slow
def test_tables_survive_other_encodings():
    utf8 = start("predict", *ONE_SKI, PYTHONIOENCODING="utf-8").stdout.decode("utf-8")
    assert "±" in utf8
    assert start("predict", *ONE_SKI, PYTHONIOENCODING="cp1252").stdout.decode("cp1252") == utf8
    assert start("predict", *ONE_SKI, PYTHONIOENCODING="ascii").stdout.decode("ascii") == utf8.replace("±", "+-")


def test_a_name_in_another_script_is_escaped_where_the_encoding_lacks_it(tmp_path):
    done = start("analyse", tmp_path / "лыжа.wav", PYTHONIOENCODING="cp1252")
    assert rb"\u043b\u044b\u0436\u0430.wav" in done.stderr and done.returncode == 1


@pytest.mark.slow
def test_colour_is_for_terminals_and_no_color_is_obeyed():
    arguments = ("analyse", "recordings_demo/c01l.flac")
    terminal = {"FORCE_COLOR": "1", "TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"}
    coloured = start(*arguments, **terminal).stdout.decode()
    assert "\x1b[32mgood" in coloured
    assert "\x1b[32m" not in start(*arguments, **terminal, NO_COLOR="1").stdout.decode()
    assert "\x1b" not in start(*arguments, PYTHONIOENCODING="utf-8").stdout.decode()


@pytest.mark.parametrize("columns", [80, 120])
def test_columns_is_honoured_and_no_line_ends_in_blanks(columns):
    for arguments in (("predict", DEMO / "lot.csv"), ("analyse", DEMO / "c01l.flac")):
        lines = run(*arguments, env={"COLUMNS": str(columns)}).stdout.splitlines()
        assert max(map(len, lines)) <= columns
        assert not any(line.endswith(" ") for line in lines)
    assert max(map(len, lines)) > 70


def test_nothing_but_results_is_printed_when_no_terminal_watches():
    done = start("analyse", "recordings_demo/c01l.flac", "recordings_demo/c01r.flac", "--json")
    assert (done.returncode, done.stderr) == (0, b"")
    assert len(json.loads(done.stdout)["recordings"]) == 2


def test_messages_are_one_printable_line_each(capsys):
    output.complain("first\nsecond\x1b[2J\u202e")
    assert capsys.readouterr().err == "taptest: first\\nsecond\\x1b[2J\\u202e\n"


@pytest.mark.skipif(os.name != "posix", reason="closes the output as a POSIX shell does")
def test_a_closed_output_is_no_failure():
    command = shlex.join([sys.executable, "-m", "taptest", "predict", *ONE_SKI])
    done = subprocess.run(["/bin/sh", "-c", f"exec {command} >&-"], stderr=subprocess.PIPE, cwd=ROOT, timeout=120)
    assert (done.returncode, done.stderr) == (0, b"")


def test_names_from_other_peoples_files_do_not_reach_the_terminal_raw(tmp_path):
    steel = (ROOT / "calibration" / "bars" / "steel_bar.toml").read_text("utf-8")
    (tmp_path / "b.toml").write_text(steel.replace('name = "', 'name = "\\u001b]0;x\\u0007\\u202e', 1), "utf-8")
    shown = run("calibrate", "bar", tmp_path / "b.toml", DEMO / "bar.flac", "--no-store")
    assert r"\x1b]0;x\x07\u202e" in shown.output and not {"\x1b", "\x07", "\u202e"} & set(shown.output)
    heading = "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording"
    table = f"{heading}\nA,x\x9b2J\u202ey.toml,1990,539,4.438,1400,c.flac\n"
    (tmp_path / "lot.csv").write_text(table, "utf-8")
    shutil.copy(DEMO / "c01l.flac", tmp_path / "c.flac")
    shown = run("check", tmp_path / "lot.csv")
    assert r"x\x9b2J\u202ey.toml" in shown.output and not {"\x9b", "\u202e"} & set(shown.output)
