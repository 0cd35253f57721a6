"""``taptest relate`` on the demonstration's snow, by its screen and its document."""

import json
from dataclasses import replace

import pytest
from support.command_line import run
from support.places import DEMO

from taptest.present.json.relation import relation_document
from taptest.snow.relate import PROPERTIES, relate
from taptest.snow.results import read_snow_results
from taptest.tables.lot import read_lot


def silent_lot(folder):
    """The demonstration's table without its recordings: mass and stiffness only."""
    lines = (DEMO / "lot.csv").read_text(encoding="utf-8").splitlines()
    heading = lines[0].split(",")
    at = heading.index("recording")
    rows = [",".join(cell for i, cell in enumerate(line.split(",")) if i != at) for line in lines]
    (folder / "lot.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder / "lot.csv"


@pytest.fixture(scope="module")
def silent(tmp_path_factory):
    lot = silent_lot(tmp_path_factory.mktemp("silent"))
    return lot, json.loads(run("relate", lot, DEMO / "snow.csv", "--json").stdout)


def test_the_demonstration_finds_what_was_planted(silent):
    _, document = silent
    assert document["schema"] == "taptest.relate/1"
    glide, feel = document["measures"]
    assert (glide["measure"], glide["state"]) == ("glide_m", "found")
    found = {each["property"]: each for each in glide["correlations"]}
    assert found["stiffness"]["found"] and found["stiffness"]["rank_correlation"] > 0.6  # make_snow.py: planted
    assert not found["mass"]["found"]
    assert found["damping"]["rank_correlation"] is None and found["damping"]["p_holm"] is None
    assert (feel["measure"], feel["state"]) == ("feel_score", "cannot separate skis")
    assert feel["correlations"] == [] and feel["reliability"]["separates"] is False


def test_every_key_of_the_document(silent):
    _, document = silent
    assert set(document) == {"schema", "skis", "runs", "tests", "seed", "measures", "problems", "unread", "notes"}
    keys = (
        "measure unit more_is_better runs skis sessions reliability ski_value_sd state reasons reason_codes correlations model "
        "explained_share"
    )
    assert all(set(keys.split()) <= set(measure) for measure in document["measures"])
    keys = (
        "ski_sd session_sd ski_by_session_sd run_sd single mean mean_low mean_high f degrees_of_freedom p error_between"
    )
    assert all(set(keys.split()) <= set(measure["reliability"]) for measure in document["measures"])
    keys = (
        "property property_sd_percent skis strata rank_correlation low high spearman p p_exact p_holm found "
        "least_correlation least_effect_per_sd"
    )
    assert all(set(keys.split()) <= set(each) for each in document["measures"][0]["correlations"])


def test_the_screen_says_what_the_document_says(silent):
    lot, document = silent
    shown = run("relate", lot, DEMO / "snow.csv")
    assert shown.exit_code == 0 and shown.stderr == ""
    assert "glide-out distance (glide_m): found" in shown.stdout
    assert "feel score (feel_score): cannot separate skis" in shown.stdout
    assert "Going together is no cause" in shown.stdout
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    r = document["measures"][0]["correlations"][1]["rank_correlation"]
    assert f"{r:+.2f}" in shown.stdout
    shown.stdout.encode("cp1252")


def test_bad_input_is_named_and_the_rest_is_done(silent, tmp_path):
    lot, _ = silent
    text = (DEMO / "snow.csv").read_text(encoding="utf-8")
    bad = tmp_path / "snow.csv"
    bad.write_text(text + "X9,first,1,53,-6,80,5,no such ski\nC01L,first,9,54,-6,far,5,\n", encoding="utf-8")
    done = run("relate", lot, bad)
    assert done.exit_code == 4
    assert "snow.csv line 158, column ski_id: found 'X9'" in done.stderr
    assert "snow.csv line 159, column glide_m: found 'far'" in done.stderr
    assert "glide_m): found" in done.stdout and "2 inputs could not be read" in " ".join(done.stdout.split())
    bad.write_text("ski_id,session,glide_m\nX9,a,80\n", encoding="utf-8")
    done = run("relate", lot, bad)
    assert done.exit_code == 1 and done.stdout == "" and "no ski of the lot" in done.stderr
    assert run("relate", lot, tmp_path / "none.csv").exit_code == 1
    assert run("relate", lot).exit_code == 2
    assert run("relate", lot, DEMO / "snow.csv", "--seed", "-1").exit_code == 2


def test_skis_bent_over_another_span_are_named_and_lose_their_stiffness(silent, tmp_path):
    lot, _ = silent
    table = read_lot(lot)
    rows = (replace(table.rows[0], span_m=1.2), *table.rows[1:])
    results = read_snow_results(DEMO / "snow.csv", {row.ski_id for row in rows})
    relation = relate(replace(table, rows=rows), results)
    assert any("another span" in note and "C01L" in note for note in map(str, relation.notes))
    found = {each["property"]: each["skis"] for each in relation_document(relation)["measures"][0]["correlations"]}
    assert found["stiffness"] == found["mass"] - 1


def test_the_demonstration_with_its_recordings():
    lot = read_lot(DEMO / "lot.csv")
    relation = relate(lot, read_snow_results(DEMO / "snow.csv", {row.ski_id for row in lot.rows}))
    glide = relation.measures[0]
    assert [each.name for each in glide.correlations if each.found] == ["stiffness"]
    assert glide.model and relation.tests == len(PROPERTIES)
