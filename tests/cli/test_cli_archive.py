"""``taptest analyse`` on folders, from outside: what is printed where, and how it ends."""

import json
import re
import shutil
from functools import partial
from pathlib import Path

import pytest
from support import command_line
from support.archives import ROOT, by_path, make_archive, make_hiss

run = partial(command_line.run, "analyse")


@pytest.fixture
def here(tmp_path, monkeypatch):
    """A folder with a good recording, one in which nothing is tapped, a bad one, and something else."""
    monkeypatch.chdir(tmp_path)
    make_archive(tmp_path / "skis", 1)
    shutil.move(make_hiss(tmp_path / "hiss", 1) / "000.wav", tmp_path / "skis" / "hiss.wav")
    (tmp_path / "skis" / "bad.flac").write_bytes(b"fLaC")
    (tmp_path / "skis" / "notes.txt").write_text("nothing")
    return tmp_path


def test_a_folder_is_the_files_in_it(here):
    folder, files = run("skis", "--json"), run("skis/00.flac", "skis/bad.flac", "skis/hiss.wav", "--json")
    assert folder.exit_code == files.exit_code == 4 and folder.stdout == files.stdout
    assert [each["path"] for each in json.loads(folder.stdout)["recordings"]] == ["skis/00.flac", "skis/hiss.wav"]
    assert folder.stderr.startswith("taptest: skis/bad.flac: ") and folder.stderr == files.stderr


def test_processes_print_what_one_does(here):
    assert run("skis", "--json", "--workers", 2).stdout == run("skis", "--json").stdout
    assert run("skis", "--workers", 2).stdout == run("skis").stdout
    assert run("skis", "--workers", 2).exit_code == 4


def test_lines_are_kept_and_summed_up(here):
    first, second = run("skis", "--lines", "r.jsonl"), run("skis", "--lines", "r.jsonl")
    assert first.exit_code == second.exit_code == 4
    assert first.stdout.splitlines() == [
        "3 recordings",
        "  2 analysed now",
        "  1 could not be read: each is named below, and why",
        "1 other file beside them, left alone: named unlike sound, or hidden",
        "Results are in r.jsonl, one line of JSON a recording.",
    ]
    assert "  0 analysed now\n  2 done before," in second.stdout and "--again tries them again" in second.stdout
    assert "bad.flac" in first.stderr and first.stderr == second.stderr
    assert sorted(by_path(Path("r.jsonl"))) == ["skis/00.flac", "skis/bad.flac", "skis/hiss.wav"]
    document = json.loads(run("skis", "--lines", "r.jsonl", "--again", "--json").stdout)
    assert document["schema"] == "taptest.archive_run/1"
    assert {key: document[key] for key in ("recordings", "analysed", "known", "failed", "failed_before", "left")} == {
        "recordings": 3,
        "analysed": 0,
        "known": 2,
        "failed": 1,
        "failed_before": 0,
        "left": 0,
    }


def test_a_file_that_was_cut_is_told(here):
    run("skis", "--lines", "r.jsonl")
    whole = Path("r.jsonl").read_bytes()
    Path("r.jsonl").write_bytes(whole[:-5])
    again = run("skis", "--lines", "r.jsonl")
    assert "taptest: note: r.jsonl: its last line was cut off" in again.stderr
    assert Path("r.jsonl").read_bytes() == whole


def test_the_program_in_the_readme_names_what_to_record_again(here, capsys, monkeypatch):
    run("skis", "--lines", "results.jsonl")
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (program,) = re.findall(r"^```python\n(import json\n.+?)^```", text, re.MULTILINE | re.DOTALL)
    exec(program, {})
    assert capsys.readouterr().out.splitlines() == ["skis/bad.flac"]
    Path("results.jsonl").write_text(Path("results.jsonl").read_text().replace('"no-tap"', '"no-good-tap"'))
    exec(program, {})
    assert capsys.readouterr().out.splitlines() == ["skis/bad.flac", "skis/hiss.wav"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--again",), "--again"),
        (("--workers", "0"), "--workers"),
        (("--plot", "--lines", "r.jsonl"), "--plot"),
        (("--plot", "--workers", "2"), "--plot"),
        (("--workers", "2", "--cluster", "tcp://127.0.0.1:9"), "--workers"),
        (("--picture", "x.svg"), "--picture"),
    ],
)
def test_wrong_usage(here, arguments, words):
    result = run("skis", *arguments)
    assert result.exit_code == 2 and words in result.stderr and not Path("r.jsonl").exists()


def test_a_folder_without_sound_is_named(here):
    (here / "empty").mkdir()
    (here / "empty" / "notes.txt").write_text("nothing")
    for extra in ((), ("--lines", "r.jsonl")):
        result = run("empty", *extra)
        assert result.exit_code == 1 and result.stdout == ""
        assert (
            result.stderr == "taptest: empty: no sound file found among 1 files; name a folder that holds recordings\n"
        )


def test_a_table_is_no_place_for_results(here):
    Path("lot.csv").write_text("ski_id,mass_g\n1,500\n")
    result = run("skis", "--lines", "lot.csv")
    assert result.exit_code == 1 and "lot.csv line 1: is no line of taptest.archive/1" in result.stderr
    assert Path("lot.csv").read_text() == "ski_id,mass_g\n1,500\n"


def test_nothing_but_failures_is_a_failure(here):
    assert run("skis/bad.flac", "--lines", "r.jsonl").exit_code == 1
