"""``taptest check --explain`` as it is typed."""

import json
import re

from support.command_line import run
from support.places import DEMO


def test_explain_on_the_screen_and_as_json():
    shown = run("check", DEMO / "lot.csv", "--explain", "S06R")
    assert shown.exit_code == 0 and shown.stderr == ""
    assert shown.stdout.startswith("S06R: outlier\n")
    assert "Its ladder against the others" in shown.stdout and "\u2800" in shown.stdout
    # Planted: 1.75 times the damping of its generation, that is 75 % above it.
    assert re.search(r"Damping [678]\d % above its group", " ".join(shown.stdout.split()))
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    wrong = run("check", DEMO / "lot.csv", "--explain", "S6R")
    assert wrong.exit_code == 1 and "has no usable ski 'S6R'; is S06R meant?" in wrong.stderr


def test_the_explanation_as_a_document():
    document = json.loads(run("check", DEMO / "lot.csv", "--explain", "S02L", "--json").stdout)
    assert document["schema"] == "taptest.check/1" and document["explained"]["ski_id"] == "S02L"
    whole = json.loads(run("check", DEMO / "lot.csv", "--json").stdout)
    assert whole["explained"] is None and whole["false_alarm_rate"] == 0.01
    (ski,) = (each for each in document["skis"] if each["ski_id"] == "S02L")
    same = next(each for each in whole["skis"] if each["ski_id"] == "S02L")
    # With --explain its own kind alone is judged, so its group is the only one.
    assert {**ski, "group": None} == {**same, "group": None} and ski["group"] == 0
    keys = "name unit value limit u score suspicious may_reject rank count"
    assert all(set(keys.split()) <= set(each) for each in ski["statistics"])
    assert all({"ski_ids", "two_populations"} <= set(group) for group in whole["groups"])
