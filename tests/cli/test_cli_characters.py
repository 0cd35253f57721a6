"""Pictures made of characters, under and over the tables of the commands."""

from support.command_line import run
from support.places import DEMO
from support.result_objects import result as checked
from support.result_objects import verdict


def test_the_commands_draw_under_and_over_their_tables(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    result = run("analyse", str(DEMO / "c01l.flac"), "--plot")
    assert result.exit_code == 0 and "Spectrum of the good taps" in result.stdout
    assert result.stdout.index("frequency") < result.stdout.index("Spectrum of the good taps")
    # truth.json: bending modes 3 and 6 of C01L ring at 120.75 and 382.40 Hz.
    assert " 121 " in result.stdout and "382" in result.stdout
    for command, file in (("analyse", "c01l.flac"), ("check", "lot.csv")):
        refused = run(command, str(DEMO / file), "--plot", "--json")
        assert refused.exit_code == 2 and "leave out --plot or --json" in " ".join(refused.stderr.split())
    nothing = run("analyse", str(DEMO / "s04r.flac"), "--plot")
    assert nothing.exit_code == 0 and "Spectrum" not in nothing.stdout


def test_check_draws_the_ladders(monkeypatch):
    monkeypatch.setattr("taptest.identify.measured_lot.measure_lot", lambda lot, settings, **how: lot)
    monkeypatch.setattr("taptest.screen.check.check_measured", lambda measured, **how: checked(verdict(group=0)))
    result = run("check", str(DEMO / "lot.csv"), "--plot")
    assert "bending modes against prediction" in result.stdout
    assert result.stdout.index("bending modes against") < result.stdout.index("verdict")
