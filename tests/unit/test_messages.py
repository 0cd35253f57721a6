"""Messages: every sentence of the catalogue is used, and a message about a cell is one line with its place."""

import re
from pathlib import Path

import pytest

import taptest
from taptest.core.catalogue import SENTENCES
from taptest.core.messages import Subject, codes, message

PACKAGE = Path(taptest.__file__).parent
SOURCES = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py")) if path.name != "catalogue.py"
)


@pytest.mark.parametrize("code", SENTENCES)
def test_every_sentence_is_said_somewhere(code):
    assert re.fullmatch("[a-z0-9]+(-[a-z0-9]+)*", code)
    assert f'"{code}"' in SOURCES


def test_every_code_in_the_package_is_in_the_catalogue():
    said = set(re.findall(r'\bmessage\(\s*"([^"]+)"', SOURCES))
    assert said and sorted(said - set(SENTENCES)) == []


def test_a_message_about_a_cell_says_where_what_and_what_to_do():
    told = message("out-of-range", Subject(None, "lot.csv", 3, "mass_g", "7"), accepted="50 to 5000 g")
    assert str(told) == (
        "lot.csv line 3, column mass_g: found '7', which is out of range; accepted are 50 to 5000 g; "
        "measure or type it again"
    )
    assert str(told.about(ski="17L")) == f"{told} (ski 17L is left out)"
    assert "column c: found nothing, " in str(message("fact-missing", Subject(None, "lot.csv", 3, "c", "")))
    assert (told.severity, codes([told, told])) == ("error", ["out-of-range"])


def test_what_stands_in_a_cell_is_not_taken_for_a_place_in_a_sentence():
    told = message("not-a-number", Subject(None, "{x}.csv", 1, "{y}", "{0}\x1b[2J"))
    assert str(told).startswith(r"{x}.csv line 1, column {y}: found '{0}\x1b[2J', ")
