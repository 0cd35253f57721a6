"""Limits of a good pair: as options and as a file, and every way to get them wrong."""

import pytest

from taptest.core.errors import LimitsError
from taptest.pairing.limits import Limit, PairLimits, parse_limit, read_limits

HEAD = 'schema = "taptest.pairlimits/1"\n'


def test_the_defaults_are_those_of_the_trade():
    # A good pair: mass within 5 to 10 g, span stiffness 3 to 5 %, frequency 1 to 3 % (common practice, no source).
    limits = PairLimits().limits
    assert (limits["mass"], limits["stiffness"], limits["frequency"]) == (
        Limit(0.005, 0.010),
        Limit(0.03, 0.05),
        Limit(0.01, 0.03),
    )


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5/10", Limit(0.005, 0.010)),
        (" 2,5 g / 4 g ", Limit(0.0025, 0.004)),
        ("5", Limit(0.005, 0.010)),
        ("off", None),
        ("OFF", None),
    ],
)
def test_limits_as_typed(text, expected):
    assert parse_limit("mass", text) == expected
    assert parse_limit("mass", "6/10") != Limit(0.005, 0.010)


@pytest.mark.parametrize("text", ["", "/", "5/", "a", "5/10/15", "10/5", "0/5", "-1/5", "nan", "5 %", "1e9", "inf/inf"])
def test_what_is_no_limit_is_refused_with_a_remedy(text):
    with pytest.raises(LimitsError) as refused:
        parse_limit("mass", text)
    assert "write such as 5/10" in str(refused.value) or "must be above 0" in str(refused.value)


def written(tmp_path, text):
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_changes_what_it_mentions(tmp_path):
    path = written(
        tmp_path,
        HEAD
        + 'length_mm = 12\ncompared = ["mass", "stiffness", "frequency"]\n[matched]\nmass_g = 3\nfrequency_percent = 2\n'
        "[close]\nmass_g = 4.5\n[repeats]\nstiffness_percent = 0.5\n",
    )
    limits = read_limits(path)
    assert sorted(limits.limits) == ["frequency", "mass", "stiffness"]
    # Frequency: close is never below twice what was given as matched.
    for name, matched, close in (("mass", 0.003, 0.0045), ("stiffness", 0.03, 0.05), ("frequency", 0.02, 0.04)):
        assert limits.limits[name].matched == pytest.approx(matched, rel=1e-8)
        assert limits.limits[name].close == pytest.approx(close, rel=1e-8)
    assert (limits.length_m, limits.stiffness_u_rel, limits.mass_u_kg) == (0.012, 0.005, 0.001)


BAD = [
    ("", 'schema is missing; it must be "taptest.pairlimits/1"'),
    ("mass_g = 5", "unknown key 'mass_g'"),
    ("schema =", "not valid TOML"),
    ('schema = "taptest.limits/2"', "it must be"),
    (HEAD + "mass_g = 5", "unknown key 'mass_g'"),
    (HEAD + "[matched]\nmass = 5", r"did you mean 'mass_g'\?"),
    (HEAD + "[matched]\nmass_g = 'x'", "must be a finite number"),
    (HEAD + "[matched]\nmass_g = true", "must be a finite number"),
    (HEAD + "[matched]\nmass_g = nan", "must be a finite number"),
    (HEAD + "[matched]\nmass_g = 1" + "0" * 400, "must lie between 0 and 500"),
    (HEAD + "[matched]\nmass_g = 20\n[close]\nmass_g = 10", "the second not below it"),
    (HEAD + "matched = 5", "written \\[matched\\]"),
    (HEAD + "compared = 'mass'", "must be a list of texts"),
    (HEAD + "compared = []", "compared is \\[\\]"),
    (HEAD + "compared = ['weight']", 'must be one of "balance", "damping"'),
    (HEAD + "length_mm = -1", "length_mm is -1"),
    (HEAD + "[repeats]\nmass_g = 1e9", "repeats.mass_g"),
]


@pytest.mark.parametrize(("text", "part"), BAD, ids=range(len(BAD)))
def test_a_bad_file_is_one_line_that_names_it(tmp_path, text, part):
    with pytest.raises(LimitsError, match=part) as refused:
        read_limits(written(tmp_path, text))
    assert "limits.toml: " in str(refused.value) and str(refused.value).isprintable()


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    (tmp_path / "wild.toml").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "huge.toml").write_text("#" * 70_000)
    for name, part in (("none.toml", "cannot be read"), ("wild.toml", "not UTF-8"), ("huge.toml", "larger than 64 kB")):
        with pytest.raises(LimitsError, match=f"{name}: .*{part}"):
            read_limits(tmp_path / name)
    with pytest.raises(LimitsError, match="cannot be read"):
        read_limits(tmp_path)
