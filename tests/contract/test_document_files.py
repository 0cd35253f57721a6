"""What a person writes by hand is read without waiting for a pipe, and without choking on a made-up monster."""

import json
import os
import tomllib
from typing import Annotated, Any, Literal

import msgspec
import pytest

from taptest.beam.bar import load_bar
from taptest.beam.construction import load_construction
from taptest.calibrate.store import load_calibrations
from taptest.core.documents import DocumentFormat, listed, text, within
from taptest.core.errors import CalibrationError, ConstructionError, LimitsError, TaptestError
from taptest.pairing.limits import read_limits


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.timeout(20)
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    pipe = tmp_path / "p.toml"
    os.mkfifo(pipe)
    os.mkfifo(tmp_path / "room-1.json")
    for read, error in ((load_bar, CalibrationError), (read_limits, LimitsError)):
        with pytest.raises(error, match="a pipe or a device"):
            read(str(pipe))
    with pytest.raises(ConstructionError):
        load_construction(str(pipe))
    (problem,) = load_calibrations(tmp_path).problems
    assert "a pipe or a device" in problem


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    sizes: Annotated[tuple[Annotated[float, within(1.0, 5.0)], ...], listed(1, 3)]
    count: Annotated[int, within(0, 9)] = 0
    names: tuple[str, ...] = ()
    shape: (
        Annotated[float, within(0.0, 1.0)] | Annotated[tuple[Annotated[float, within(0.0, 1.0)], ...], listed(1, 3)]
    ) = 0.0


class _Whole(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal["test/1"]
    title: Annotated[str, text(10)]
    part: _Part
    good: bool = True
    kind: Literal["a", "b"] = "a"


TOML = DocumentFormat("test file", _Whole, TaptestError, 100_000)
ANYTHING = DocumentFormat("test file", dict[str, Any], TaptestError, 300_000)
JSON = DocumentFormat("test file", _Whole, TaptestError, 4_096, "JSON", "delete it")


def test_text_is_read_with_or_without_its_mark(tmp_path):
    for mark in (b"", b"\xef\xbb\xbf"):
        (tmp_path / "a").write_bytes(mark + 'a = "ä"'.encode())
        assert ANYTHING.read(tmp_path / "a") == {"a": "ä"}


@pytest.mark.parametrize("key", ["a" + ".a" * 60, '"a"' + ' . "a"' * 60, "x = 1\n[a" + ".b" * 60 + "]"])
def test_a_key_of_many_parts_is_refused(key):
    with pytest.raises(TaptestError, match="50 parts"):
        ANYTHING.decoded(f"{key} = 1", "name")


def test_what_people_write_is_read_as_the_standard_library_does():
    text = "a.b = 1\nnumbers = [" + ", ".join(["0.125"] * 500) + ']\nnote = "one. two. ' + "three.four " * 100 + '"\n'
    assert ANYTHING.decoded(text, "name") == tomllib.loads(text)
    ANYTHING.decoded("a" * 240_000 + " = 1", "name")  # at once: the search stays linear


GOOD = {"schema": "test/1", "title": "Bar", "part": {"sizes": [1, 2.5]}}


def test_a_document_that_fits_becomes_its_structure():
    assert TOML.validated(GOOD, "f") == _Whole("test/1", "Bar", _Part((1.0, 2.5)))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"schema": "test/2"}, """schema is 'test/2'; it must be "test/1\""""),
        ({"title": ""}, "title is ''; it must be a text that holds no control characters and is not empty"),
        ({"title": "x" * 11}, "title has 11 characters; it must have at most 10"),
        ({"title": "\x1b[31m"}, r"title is '\x1b[31m'; it must be a text that holds no control characters"),
        ({"part": 3}, "part is 3; it must be a table, written [part]"),
        ({"part": {}}, "part.sizes is missing; it must be a list of numbers, written [0.1, 0.2]"),
        ({"part": {"sizes": [1, 9]}}, "part.sizes, value 2, is 9; it must lie between 1 and 5"),
        ({"part": {"sizes": [1, float("nan")]}}, "part.sizes, value 2, is nan; it must be a finite number"),
        ({"part": {"sizes": [1, True]}}, "part.sizes, value 2, is True; it must be a finite number"),
        ({"part": {"sizes": [1] * 4}}, "part.sizes has 4 values; it must have at most 3"),
        ({"part": {"sizes": [10**400]}}, "part.sizes, value 1, is 1000"),
        ({"part": {"sizes": [1], "count": 1.5}}, "part.count is 1.5; it must be a whole number"),
        ({"part": {"sizes": [1], "count": 10}}, "part.count is 10; it must lie between 0 and 9"),
        (
            {"part": {"sizes": [1], "names": "a"}},
            """part.names is 'a'; it must be a list of texts, written ["a", "b"]""",
        ),
        ({"part": {"sizes": [1], "shape": "a"}}, "part.shape is 'a'; it must be a finite number"),
        ({"part": {"sizes": [1], "shape": [2]}}, "part.shape, value 1, is 2; it must lie between 0 and 1"),
        (
            {"part": {"sizes": [1], "size": 1}},
            "unknown key 'size' in [part] (did you mean 'sizes'?); known are count, names",
        ),
        ({"titel": "a"}, "unknown key 'titel' (did you mean 'title'?); known are"),
        ({"good": 1}, "good is 1; it must be true or false"),
        ({"kind": "c"}, """kind is 'c'; it must be one of "a", "b\""""),
    ],
)
def test_what_does_not_fit_is_named_with_key_value_and_what_is_accepted(change, said):
    with pytest.raises(TaptestError) as refused:
        TOML.validated({**GOOD, **change}, "f.toml")
    assert str(refused.value).startswith(f"f.toml: {said}")
    assert "\n" not in str(refused.value) and len(str(refused.value)) < 300


def test_json_is_read_and_refused_likewise(tmp_path):
    path = tmp_path / "a.json"
    for content, said in (
        (json.dumps({**GOOD, "part": []}), "part is []; it must be an object"),
        ('{"schema": NaN}', "not valid JSON: NaN is not a number of JSON"),
        ("[" * 900, "not valid JSON"),
        (" " * 5_000, "larger than 4 kB"),
        ("3", "the document is 3; it must be an object"),
    ):
        path.write_text(content)
        with pytest.raises(TaptestError) as refused:
            JSON.read(path)
        assert str(refused.value).startswith(f"{path}: {said}") and str(refused.value).endswith("; delete it")
    path.write_text(json.dumps(GOOD))
    assert JSON.read(path).part.sizes == (1.0, 2.5)
