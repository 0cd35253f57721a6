"""``taptest calibrate construction`` as it is typed."""

import json

import numpy as np
import pytest
from support.command_line import run
from support.places import DEMO, demo_truth

from taptest.beam.construction import load_construction
from taptest.beam.predict import predict
from taptest.identify.predicted import measurements_of


def learn(*arguments):
    return run("calibrate", "construction", *arguments)


def test_usage_mistakes_are_one_line_each(tmp_path):
    lot = DEMO / "lot.csv"
    given = ["--name", "Ours", "-o", tmp_path / "ours.toml", "--no-store"]
    for arguments, said in (
        (
            [lot, "--base", "light_generic", *given],
            "0 skis of construction light_generic in the table (it holds: classic",
        ),
        ([lot, "--base", "clasic_generic", *given], "did you mean 'classic_generic'?"),
        ([tmp_path / "none.csv", "--base", "classic_generic", *given], "not found"),
        ([lot, "--base", "classic_generic", "--name", "Ours", "-o", tmp_path / "ours"], "ends in .toml"),
    ):
        done = learn(*arguments)
        assert done.exit_code == 1, done.output
        assert said in done.stderr and len(done.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "gone.csv").write_text(
        "ski_id,construction,length_mm,mass_g,stiffness_n_per_mm,span_mm,recording\n"
        "A1,classic_generic,1990,513,5.0,1400,gone.flac\n"
    )
    done = learn(tmp_path / "gone.csv", "--base", "classic_generic", *given)
    assert done.exit_code == 1 and "bad cells 1, the first: gone.csv line 2, column recording" in done.stderr


@pytest.mark.slow
def test_the_demonstration_is_learnt_and_two_skis_are_then_judged_closely(tmp_path):
    # Truth: the demonstration's stepped chain, which no test here has a hand in.
    for path in DEMO.glob("c*.flac"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    lines = [line for line in (DEMO / "lot.csv").read_text().splitlines() if line.startswith(("ski_id", "C"))]
    (tmp_path / "lot.csv").write_text("\n".join(lines) + "\n")
    file, store = tmp_path / "ours.toml", tmp_path / "calibrations"
    base = ["--base", "classic_generic", "--name", "Ours"]
    done = learn(tmp_path / "lot.csv", *base, "-o", file, "--calibrations", store, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["schema"] == "taptest.learned-construction/1"
    assert [each["ski_id"] for each in document["left_out"]] == ["C05R"]  # the one with the soft spot
    assert document["error_percent"] < 0.5 * document["base_error_percent"]
    truth = demo_truth()
    from taptest.tables.lot import read_lot

    off = {"ours": [], "base": []}
    for row in read_lot(tmp_path / "lot.csv").rows:
        if row.construction == "classic_generic" and row.ski_id != "C05R":
            for name, construction in (
                ("ours", load_construction(str(file))),
                ("base", load_construction("classic_generic")),
            ):
                predicted = predict(construction, measurements_of(row)).bending_hz[:10]
                off[name].append(np.log(np.array(truth[row.ski_id]["bending_hz"]) / predicted))
    assert np.sqrt(np.mean(np.square(off["ours"]))) < 0.4 * np.sqrt(np.mean(np.square(off["base"])))
    pair = [lines[0], *(line for line in lines if line.startswith("C05"))]
    (tmp_path / "pair.csv").write_text("\n".join(pair).replace("classic_generic", "ours.toml") + "\n")
    checked = run("check", tmp_path / "pair.csv", "--calibrations", store, "--json")
    answer = json.loads(checked.stdout)
    assert [ski["verdict"] for ski in answer["skis"]] == ["pass", "outlier"]  # with the generic file both pass
    assert answer["groups"][0]["limit_percent"] < 2.5
    assert [each["kind"] for each in answer["calibrations"]] == ["construction"]
