"""``import taptest`` as a Python program uses it: loaded late, the same as the commands, and as plain data."""

import ast
import dataclasses
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from support.archives import DEMO, ROOT, make_archive
from typer.testing import CliRunner

import taptest
from taptest.cli import app
from taptest.identify.predicted import predict_lot
from taptest.ski.fields import sentences
from taptest.tables.lot import read_lot

SKI = {"length_m": 1.9, "mass_kg": 0.52, "stiffness_n_per_m": 3100.0, "span_m": 1.4}
SKI_OPTIONS = "--construction uniform_bar --length 1900 --mass 520 --stiffness 3.1 --span 1400"


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_archive(tmp_path_factory.mktemp("library"), 1) / "00.flac"


@pytest.fixture
def table(recording, tmp_path):
    shutil.copy(recording, tmp_path / "01.flac")
    path = tmp_path / "lot.csv"
    path.write_text(
        "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
        "01,classic_generic,1990,539,4.438,1400,01.flac\n02,nix,1990,539,4.438,1400,\n"
    )
    return path


def document_of(*arguments):
    """What a command prints with --json."""
    return json.loads(CliRunner().invoke(app, [*map(str, arguments), "--json"]).stdout)


def test_importing_loads_nothing():
    code = (
        "import sys, taptest\n"
        "print(*sorted({'numpy', 'scipy', 'soundfile', 'rich', 'typer', 'taptest.api'} & set(sys.modules)))\n"
        "taptest.predict\nprint('numpy' in sys.modules, 'rich' in sys.modules, 'pandas' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, cwd=ROOT, check=True
    )
    assert done.stdout.splitlines() == ["", "True False False"]


def test_what_type_checkers_see_is_what_there_is():
    tree = ast.parse(Path(taptest.__file__).read_text(encoding="utf-8"))
    (block,) = (node for node in tree.body if isinstance(node, ast.If))
    seen = {alias.name for node in block.body for alias in node.names}
    assert seen | {"__version__"} == set(taptest.__all__) <= set(dir(taptest))
    homes = {f"{node.module}.{alias.name}" for node in block.body for alias in node.names}
    assert homes == {f"{home}.{name}" for name, home in taptest._HOME.items()}
    assert all(getattr(taptest, name) is not None for name in taptest.__all__)
    assert (Path(taptest.__file__).parent / "py.typed").exists()
    with pytest.raises(AttributeError, match="has no attribute 'listen_to'"):
        taptest.listen_to  # noqa: B018


def test_analyse_is_the_command(recording):
    heard = taptest.analyse(recording, settings=taptest.Settings(high_hz=600, channel=1))
    assert heard.to_dict() == document_of("analyse", recording, "--high", 600)


def test_samples_are_heard_as_they_were_made():
    # derived: a damped sinusoid of these values, written down here and not by the code under test
    rate, frequency_hz, damping_ratio = 44_100, 312.0, 0.008
    time_s = np.arange(rate) / rate - 0.5
    ring = np.exp(-damping_ratio * 2 * np.pi * frequency_hz * time_s) * np.sin(2 * np.pi * frequency_hz * time_s)
    hiss = np.random.default_rng(3).normal(0, 1e-4, rate)
    (mode,) = taptest.analyse(np.where(time_s > 0, 0.4 * ring, 0) + hiss, rate).modes
    assert mode.frequency_hz == pytest.approx(
        frequency_hz, rel=1e-4
    )  # the bound for one tap at this noise is below 1e-5
    assert mode.damping_ratio == pytest.approx(damping_ratio, rel=1e-2)


def test_predict_is_the_command_and_the_closed_form():
    ski = taptest.predict("uniform_bar", **SKI)
    assert ski.to_dict() == document_of("predict", *SKI_OPTIONS.split())
    # f = (4.73004**2 / (2 pi L**2)) sqrt(EI / mu), EI = k S**3 / 48 (derived; Euler-Bernoulli)
    rigidity = SKI["stiffness_n_per_m"] * SKI["span_m"] ** 3 / 48
    first_hz = 4.73004**2 / (2 * np.pi * 1.9**2) * (rigidity / (0.52 / 1.9)) ** 0.5
    assert ski.prediction.bending_hz[0] == pytest.approx(first_hz, rel=1e-4)
    changed = taptest.predict("uniform_bar", **SKI, change_mass_percent=2.0)
    assert changed.to_dict() == document_of("predict", *SKI_OPTIONS.split(), "--change-mass", 2)


def test_check_is_the_command(table):
    settings = taptest.Settings(high_hz=1000, false_alarm_rate=0.02)
    result = taptest.check(table, settings)
    assert result.to_dict() == document_of("check", table, "--high", 1000, "--false-alarm-rate", "1/50")
    assert [ski.ski_id for ski in result.skis] == ["01", "02"] and len(result.unread) == 1
    assert taptest.check(read_lot(table), settings).to_dict() == result.to_dict()


def test_check_uses_the_calibrations_that_the_command_uses(table, monkeypatch):
    (table.parent / "calibrations").mkdir()
    room = {
        "schema": "taptest.calibration/1",
        "kind": "room",
        "made": "2026-01-02T03:04:05Z",
        "software": "0.1.0",
        "note": "",
        "sources": [],
        "values": {"bands": [{"low_hz": 88, "high_hz": 177, "reverberation_s": 0.4}]},
    }
    (table.parent / "calibrations" / "room-20260102T030405Z.json").write_text(json.dumps(room))
    result = taptest.check(table)
    assert [each.kind for each in result.calibrations] == ["room"]
    assert taptest.check(table, taptest.Settings(room_s=0.3)).calibrations == ()
    with pytest.raises(taptest.TaptestError, match="no-such-folder"):
        taptest.check(table, taptest.Settings(calibrations=str(table.parent / "no-such-folder")))


def test_tables_hold_what_the_documents_hold(recording, table):
    pandas = pytest.importorskip("pandas")
    heard = taptest.analyse(recording)
    frame = heard.to_frame()
    modes = heard.to_dict()["recordings"][0]["modes"]
    assert list(frame["frequency_hz"]) == [mode["frequency_hz"] for mode in modes] and len(frame) >= 5
    assert set(frame["path"]) == {str(recording)}
    assert list(frame["flags"]) == ["; ".join(mode["flags"]) for mode in modes]
    checked = taptest.check(table)
    skis = checked.to_frame()
    assert list(skis["verdict"]) == [ski.verdict for ski in checked.skis] and list(skis["ski_id"]) == ["01", "02"]
    assert "modes" not in skis and "; ".join(sentences(checked.skis[1].reasons)) == skis["reasons"][1]
    assert pandas.isna(skis["measured_hz"][1])
    lot = predict_lot(read_lot(DEMO / "lot.csv"))
    predicted = lot.to_frame()
    assert len(predicted) == sum(len(s.prediction.bending_hz) + len(s.prediction.torsion_hz or ()) for s in lot.skis)
    assert list(predicted.columns[:3]) == ["ski_id", "family", "order"]


def test_results_print_and_show_themselves(recording, table):
    checked = taptest.check(table)
    text = str(checked)
    assert (
        text.splitlines() == CliRunner().invoke(app, ["check", str(table)], env={"COLUMNS": "80"}).stdout.splitlines()
    )
    assert "not judged" in text and max(map(len, text.splitlines())) <= 80
    html = checked._repr_html_()
    assert html.startswith("<pre") and "not judged" in html and "<script" not in html
    heard = taptest.analyse(recording)
    assert "Hz" in str(heard) and str(heard) != repr(heard)
    axes = heard.plot()
    assert axes.get_xlabel() == "frequency, Hz" and axes.plot is not None
    given = checked.plot(axes.figure.add_subplot())
    assert given.get_ylabel() == "first mode, Hz"
    assert "mode" in str(taptest.predict_skis(table)).lower()


def test_an_analysis_gives_its_samples_and_its_spectrum(recording):
    import soundfile

    heard = taptest.analyse(recording)
    samples, rate = soundfile.read(recording, always_2d=True)
    assert heard.sample_rate_hz == rate and np.array_equal(heard.samples, samples[:, heard.channel - 1])
    spectrum = heard.spectrum()
    strongest = max(heard.modes, key=lambda mode: mode.level_db)
    at = spectrum.frequencies_hz[np.argmax(spectrum.level_db)]
    near = min(abs(at / mode.frequency_hz - 1) for mode in heard.modes)
    assert near < 0.02 and strongest.level_db == 0.0
    with pytest.raises(taptest.TaptestError, match="was not kept"):
        dataclasses.replace(heard, recording=None).spectrum()


def test_skis_and_samples_from_memory(recording):
    facts = taptest.SkiFacts(
        "01", construction="classic_generic", length_m=1.99, mass_kg=0.539, stiffness_n_per_m=4438.0, span_m=1.4,
        recordings=(recording,),
    )  # fmt: skip
    result = taptest.check(taptest.lot_of([facts]))
    assert [ski.verdict for ski in result.skis] == ["pass"]
    nothing = taptest.check(taptest.lot_of([taptest.SkiFacts("02")])).skis[0]
    assert nothing.verdict == "not judged" and "recording missing" in str(nothing.reasons[0])


def test_every_kind_of_result_has_every_face(demo_measured, monkeypatch):
    """On the demonstration: print, HTML, document, table and picture, and the picture into given axes."""
    import taptest.comparison.compare
    import taptest.pairing.pairs

    results = {
        "check": taptest.check(demo_measured),
        "pairs": taptest.pairs(demo_measured),
        "compare": taptest.compare(demo_measured),
        "predict": taptest.predict_skis(DEMO / "lot.csv"),
    }
    assert taptest.pairs(demo_measured, pile=True).pile  # a second time, with its room loaded
    lax = taptest.check(demo_measured, taptest.Settings(false_alarm_rate=0.1, low_hz=100.0))
    assert lax.settings.false_alarm_rate == 0.1 and lax.settings.low_hz == 15.0  # what was heard stays as it was heard
    assert str(demo_measured).startswith("lot.csv: 26 skis measured") and str(lax.skis[0]).startswith("C01L: ")
    for name, result in results.items():
        assert len(str(result).splitlines()) > 5 and result._repr_html_().startswith("<pre"), name
        document = result.to_dict()
        json.dumps(document, allow_nan=False)
        frame = result.to_frame()
        assert len(frame) > 1 and not [column for column in frame if frame[column].map(type).eq(dict).any()], name
        axes = result.plot()
        assert axes.figure is not None and result.plot(axes) is axes, name
    assert len(results["check"].to_frame()) == len(demo_measured.skis)


def test_without_pandas_one_line_names_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(taptest.TaptestError, match=r"needs the package pandas, which is not installed; .* use to_dict"):
        taptest.predict("uniform_bar", **SKI).to_frame()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: taptest.analyse("missing.wav"), "missing.wav: not found"),
        (lambda: taptest.analyse(np.zeros(9_000)), "give sample_rate_hz"),
        (lambda: taptest.analyse("a.wav", 48_000), "leave out sample_rate_hz"),
        (lambda: taptest.analyse(np.zeros(9_000), 48_000), "is silent"),
        (lambda: taptest.Settings(room_s=30), "0.05 to 20 s"),
        (lambda: taptest.Settings(low_hz=900, high_hz=100), "frequency range"),
        (lambda: taptest.predict("nix", **SKI), "'nix' is not known"),
        (lambda: taptest.predict("uniform_bar", **{**SKI, "mass_kg": 520.0}), "is the unit right"),
        (lambda: taptest.check("missing.csv"), "missing.csv: not found"),
        (lambda: taptest.Settings(false_alarm_rate=0.2), "give 0.001 to 0.1"),
        (lambda: taptest.Settings(room_s=float("nan")), "0.05 to 20 s"),
    ],
)
def test_what_is_wrong_is_one_line_with_a_remedy(call, words):
    with pytest.raises(taptest.TaptestError, match=words) as refused:
        call()
    assert str(refused.value).isprintable()


def test_open_logbook_opens_the_one_that_is_named(monkeypatch, tmp_path):
    monkeypatch.setenv("TAPTEST_LOGBOOK", str(tmp_path / "usual.sqlite"))
    for named, file in ((None, "usual.sqlite"), (tmp_path / "season.sqlite", "season.sqlite")):
        with taptest.open_logbook(named) as book:
            assert book.place.path == tmp_path / file and book.skis() == ((), False)
        assert (tmp_path / file).exists()
