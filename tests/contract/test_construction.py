"""Construction files: what is read, what is refused, and that a refusal says where and why."""

from pathlib import Path

import numpy as np
import pytest

from taptest.beam.construction import construction_names, load_construction
from taptest.core.errors import ConstructionError

GOOD = """schema = "taptest.construction/1"
name = "Test"
note = "invented"
[profile]
station = [0.0, 0.4, 1.0]
bending_stiffness = [1.0, 2.0, 0.8]
mass_per_length = [1.0, 1.2, 0.9]
[uncertainty]
frequency_percent = [4.0, 5.0]
[torsion]
stiffness_ratio = 0.2
gyration_mm = 14.0
[shear]
rigidity_ratio = 4000.0
thickness_mm = 26.0
"""


def write(folder: Path, text: str, name: str = "test.toml") -> str:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_every_field_of_a_file_is_read(tmp_path: Path) -> None:
    construction = load_construction(write(tmp_path, GOOD))
    assert (construction.stem, construction.name, construction.note) == ("test", "Test", "invented")
    assert construction.station == (0.0, 0.4, 1.0)
    # Derived: at mid length the stiffness is 2 - 1.2 * 0.1/0.6 = 1.8; the mean mass is 0.4 * 1.1 + 0.6 * 1.05 = 1.07.
    assert construction.bending_stiffness == pytest.approx((1 / 1.8, 2 / 1.8, 0.8 / 1.8), rel=1e-12)
    assert construction.mass_per_length == pytest.approx((1 / 1.07, 1.2 / 1.07, 0.9 / 1.07), rel=1e-12)
    assert [construction.frequency_u_rel(order) for order in (1, 2, 3, 9)] == [0.04, 0.05, 0.05, 0.05]
    assert construction.torsion is not None
    assert construction.torsion.stiffness_ratio == (0.2, 0.2, 0.2)
    assert construction.torsion.gyration_m == pytest.approx(0.014)
    assert construction.shear is not None
    assert (construction.shear.rigidity_ratio, construction.shear.thickness_m) == (4000.0, 0.026)


def test_the_scale_of_a_profile_does_not_matter(tmp_path: Path) -> None:
    scaled = GOOD.replace("[1.0, 2.0, 0.8]", "[170.0, 340.0, 136.0]").replace("[1.0, 1.2, 0.9]", "[250, 300, 225]")
    first, second = load_construction(write(tmp_path, GOOD)), load_construction(write(tmp_path, scaled, "scaled.toml"))
    assert second.bending_stiffness == pytest.approx(first.bending_stiffness, rel=1e-12)
    assert second.mass_per_length == pytest.approx(first.mass_per_length, rel=1e-12)
    bent = load_construction(write(tmp_path, GOOD.replace("2.0, 0.8", "2.0, 0.9"), "bent.toml"))
    assert bent.bending_stiffness != pytest.approx(first.bending_stiffness, rel=1e-3)


def test_optional_tables_may_be_left_out_and_torsion_may_be_a_list(tmp_path: Path) -> None:
    bare = load_construction(write(tmp_path, GOOD[: GOOD.index("[torsion]")]))
    assert bare.torsion is None
    assert bare.shear is None
    listed = load_construction(write(tmp_path, GOOD.replace("ratio = 0.2", "ratio = [0.3, 0.2, 0.1]"), "list.toml"))
    assert listed.torsion is not None
    assert listed.torsion.stiffness_ratio == (0.3, 0.2, 0.1)


def test_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path) -> None:
    path = tmp_path / "mark.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_construction(str(path)).station == (0.0, 0.4, 1.0)


@pytest.mark.parametrize("written", ["sub/test.toml", "sub\\test.toml", "./sub/test.toml"])
def test_relative_paths_start_from_the_base(tmp_path: Path, written: str) -> None:
    (tmp_path / "sub").mkdir()
    write(tmp_path / "sub", GOOD)
    assert load_construction(written, base=tmp_path).name == "Test"


def test_an_absolute_path_ignores_the_base(tmp_path: Path) -> None:
    assert load_construction(write(tmp_path, GOOD), base=tmp_path / "elsewhere").name == "Test"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("construction/1", "construction/2", ["schema", "construction/2", "taptest.construction/1"]),
        ('schema = "taptest.construction/1"\n', "", ["schema is missing"]),
        ('name = "Test"', "", ["name is missing"]),
        ('name = "Test"', "name = 7", ["name is 7"]),
        ('name = "Test"', 'name = " "', ["name", "not empty"]),
        ('name = "Test"', 'name = "a\\u001b[31m"', ["name", "control characters"]),
        ('name = "Test"', f'name = "{"x" * 81}"', ["name", "81", "80"]),
        ('note = "invented"', 'note = "a\\u0007"', ["note", "control characters"]),
        ("[0.0, 0.4, 1.0]", "[0.0, 0.4, 0.9]", ["profile.station", "0.9", "1.0"]),
        ("[0.0, 0.4, 1.0]", "[0.1, 0.4, 1.0]", ["profile.station", "0.1", "0.0"]),
        ("[0.0, 0.4, 1.0]", "[0.0, 0.0, 1.0]", ["profile.station", "value 2", "larger"]),
        ("[0.0, 0.4, 1.0]", "[0.0, 1e-300, 1.0]", ["profile.station", "value 2", "larger"]),
        ("[0.0, 0.4, 1.0]", "[0.0, 1.4, 1.0]", ["profile.station", "value 2", "1.4", "between 0 and 1"]),
        ("[0.0, 0.4, 1.0]", "[0.0, 1.0]", ["bending_stiffness", "3 values", "2 stations"]),
        ("[0.0, 0.4, 1.0]", "[]", ["profile.station", "list of numbers"]),
        ("[0.0, 0.4, 1.0]", '"even"', ["profile.station", "'even'", "list of numbers"]),
        ("[1.0, 2.0, 0.8]", "[1.0, 2.0]", ["bending_stiffness", "2 values", "3 stations"]),
        ("[1.0, 2.0, 0.8]", "[1.0, 0.0, 0.8]", ["bending_stiffness", "0.0", "value 2"]),
        ("[1.0, 2.0, 0.8]", "[1.0, -2.0, 0.8]", ["bending_stiffness", "-2.0", "value 2"]),
        ("[1.0, 2.0, 0.8]", "[1.0, nan, 0.8]", ["bending_stiffness", "nan", "value 2", "finite"]),
        ("[1.0, 2.0, 0.8]", "[1.0, inf, 0.8]", ["bending_stiffness", "inf", "value 2", "finite"]),
        ("[1.0, 2.0, 0.8]", "[1.0, true, 0.8]", ["bending_stiffness", "True", "value 2"]),
        ("[1.0, 2.0, 0.8]", '[1.0, "2", 0.8]', ["bending_stiffness", "'2'", "value 2"]),
        ("[1.0, 2.0, 0.8]", "[1.0, 1e-7, 0.8]", ["bending_stiffness", "1e-07", "factor"]),
        ("[1.0, 2.0, 0.8]", f"[1.0, 1{'0' * 400}, 0.8]", ["bending_stiffness", "value 2", "..."]),
        ("[1.0, 2.0, 0.8]", f"[1.0, 1{'0' * 5000}, 0.8]", ["not valid TOML"]),
        ("[1.0, 1.2, 0.9]", f"[{'1, ' * 402}]", ["mass_per_length", "402 values", "401"]),
        ("mass_per_length = [1.0, 1.2, 0.9]\n", "", ["profile.mass_per_length is missing"]),
        ("mass_per_length", "mass_per_lenght", ["'mass_per_lenght'", "[profile]", "'mass_per_length'"]),
        ("[uncertainty]\n", "[uncertainties]\n", ["'uncertainties'", "'uncertainty'"]),
        ("[4.0, 5.0]", "[4.0, 0.0]", ["frequency_percent", "value 2", "between 0.01 and 50"]),
        ("[4.0, 5.0]", "[]", ["frequency_percent", "list"]),
        ("[4.0, 5.0]", "4.0", ["frequency_percent", "4.0", "list"]),
        ("stiffness_ratio = 0.2", "stiffness_ratio = -0.2", ["torsion.stiffness_ratio", "-0.2"]),
        ("stiffness_ratio = 0.2", "stiffness_ratio = [0.2, 0.2]", ["torsion.stiffness_ratio", "2 values"]),
        ("gyration_mm = 14.0", "gyration_m = 0.014", ["'gyration_m'", "'gyration_mm'"]),
        ("gyration_mm = 14.0", "", ["torsion.gyration_mm is missing"]),
        ("rigidity_ratio = 4000.0", "rigidity_ratio = 0", ["shear.rigidity_ratio", "0"]),
        ("thickness_mm = 26.0", "thickness_mm = 0.0001", ["shear.thickness_mm", "0.0001"]),
        ("station = [", "station = [[", ["not valid TOML", "line"]),
        ("station = [0.0, 0.4, 1.0]", f"station = {'[' * 5000}", ["not valid TOML"]),
    ],
)
def test_a_fault_is_named_with_file_key_and_value(tmp_path: Path, old: str, new: str, said: list[str]) -> None:
    assert old in GOOD
    with pytest.raises(ConstructionError) as caught:
        load_construction(write(tmp_path, GOOD.replace(old, new, 1)))
    message = str(caught.value)
    assert message.startswith(str(tmp_path / "test.toml"))
    for part in said:
        assert part in message
    assert "\x1b" not in message
    assert len(message) < 600


def test_a_table_that_is_not_one_is_named(tmp_path: Path) -> None:
    text = 'schema = "taptest.construction/1"\nname = "a"\nnote = "b"\nprofile = 3\n'
    with pytest.raises(ConstructionError, match=r"profile is 3; it must be a table, written \[profile\]"):
        load_construction(write(tmp_path, text))


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    (tmp_path / "binary.toml").write_bytes(b'name = "\xff"')
    with pytest.raises(ConstructionError, match=r"binary\.toml: byte 8 is not UTF-8"):
        load_construction("binary.toml", base=tmp_path)
    (tmp_path / "large.toml").write_text("#" * 300_000)
    with pytest.raises(ConstructionError, match=r"large\.toml: larger than 256 kB"):
        load_construction("large.toml", base=tmp_path)
    (tmp_path / "folder.toml").mkdir()
    for name in ("folder.toml", "absent.toml", "a/b/absent", "x" * 5000 + ".toml"):
        with pytest.raises(ConstructionError, match="no such construction file"):
            load_construction(name, base=tmp_path)
    for name in ("", "  ", "a\0.toml"):
        with pytest.raises(ConstructionError, match="has no name"):
            load_construction(name, base=tmp_path)


def test_an_unknown_stem_lists_the_known_ones() -> None:
    with pytest.raises(ConstructionError, match=r"did you mean 'classic_generic'\?.*uniform_bar.*\.toml"):
        load_construction("clasic_generic")


def test_every_shipped_file_loads_and_says_what_is_assumed() -> None:
    names = construction_names()
    assert {"classic_generic", "skate_generic", "light_generic", "uniform_bar", "thick_bar"} <= set(names)
    assert names == sorted(names)
    for name in names:
        construction = load_construction(name)
        assert construction.stem == name
        station = np.array(construction.station)
        assert np.trapezoid(construction.mass_per_length, station) == pytest.approx(1.0, rel=1e-12)
        assert np.interp(0.5, station, construction.bending_stiffness) == pytest.approx(1.0, rel=1e-12)
        if name.endswith("_generic"):
            assert "ssumed" in construction.note
            # Common practice, no source: the tip is thinner than the tail, and both much thinner than the middle.
            assert construction.bending_stiffness[-1] < construction.bending_stiffness[0] < 0.2
            assert construction.frequency_percent == tuple(sorted(construction.frequency_percent))
