"""Construction files: how stiffness and mass are spread along a ski; rig and balance give the scale."""

import difflib
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from msgspec import Struct

from taptest.core.documents import DocumentFormat, counted, listed, text, within
from taptest.core.errors import ConstructionError, shown

SCHEMA = "taptest.construction/1"
LONGEST_NAME = 80

_CLOSEST_STATIONS = 1e-6
# More than this is a slip of the pen, and would cost the lowest modes their digits.
_LARGEST_CONTRAST = 1e6

_Shape = Annotated[tuple[Annotated[float, within(1e-12, 1e12)], ...], listed(1, 401)]
_Percent = Annotated[float, within(0.01, 50.0)]
_Percents = Annotated[tuple[_Percent, ...], listed(1, 100)]
_Remark = Annotated[str, text(200, empty=True)]
_Count = Annotated[int, within(0, 100_000)]


@dataclass(frozen=True)
class Torsion:
    """GJ/EI at every station of the construction, and the polar radius of gyration in metres."""

    stiffness_ratio: tuple[float, ...]
    gyration_m: float


class Shear(Struct, frozen=True, forbid_unknown_fields=True):
    """kappa G A L²/EI_mid, taken as the same all along, and the thickness for the rotary inertia mu t²/12."""

    rigidity_ratio: Annotated[float, within(10.0, 1e9)]
    thickness_mm: Annotated[float, within(0.1, 200.0)]

    @property
    def thickness_m(self) -> float:
        """The thickness in metres."""
        return self.thickness_mm / 1000


class Learned(Struct, frozen=True, forbid_unknown_fields=True):
    """What measured skis added to the profile, and where it comes from.

    `frequency_factor` multiplies each bending order that the profile predicts, the last one repeats. `shared_percent` is
    the standard deviation of what all modes of a ski share (rig, balance and build together), as those skis had it; it
    stands in for what is said of rig and balance. For people: `error_percent`, the root mean square error of each order
    when every ski was predicted from the others (0 where it was never heard), `skis_per_order` in which it was heard,
    `skis` used and `left_out`, the `base` whose profile it is, the `lots`, when it was `made` and with which `software`.
    """

    frequency_factor: Annotated[tuple[Annotated[float, within(0.5, 2.0)], ...], listed(1, 100)]
    shared_percent: _Percent
    error_percent: Annotated[tuple[Annotated[float, within(0.0, 50.0)], ...], listed(0, 100)] = ()
    skis_per_order: Annotated[tuple[_Count, ...], listed(0, 100)] = ()
    skis: _Count = 0
    left_out: _Count = 0
    base: _Remark = ""
    lots: Annotated[tuple[_Remark, ...], listed(0, 100)] = ()
    made: _Remark = ""
    software: _Remark = ""

    def factor(self, order: int) -> float:
        """What the prediction of bending order `order` (from 1) is multiplied by."""
        return self.frequency_factor[min(order, len(self.frequency_factor)) - 1]


@dataclass(frozen=True)
class Construction:
    """Relative shapes over `station` = x/L from the tail, linear in between.

    `bending_stiffness` is EI/EI_mid (1 at mid length), `mass_per_length` is mu/mu_mean (mean 1), and
    `frequency_percent` the standard uncertainty of each bending order predicted from them; the last one repeats.
    """

    stem: str
    name: str
    note: str
    station: tuple[float, ...]
    bending_stiffness: tuple[float, ...]
    mass_per_length: tuple[float, ...]
    frequency_percent: tuple[float, ...]
    torsion: Torsion | None = None
    shear: Shear | None = None
    learned: Learned | None = None

    def frequency_u_rel(self, order: int) -> float:
        """Relative standard uncertainty of bending order `order` (from 1) that the assumed shape brings."""
        return self.frequency_percent[min(order, len(self.frequency_percent)) - 1] / 100


def construction_names() -> list[str]:
    """Stems of the construction files that come with taptest, in alphabetical order."""
    return sorted(path.stem for path in _shipped_folder().glob("*.toml"))


def load_construction(name_or_path: str, *, base: Path | None = None) -> Construction:
    """Construction of a shipped stem (`classic_generic`) or of a TOML file (`ours/race.toml`).

    Args:
        name_or_path: stem or path; whatever ends in .toml or holds a separator is a path.
        base: folder that a relative path starts from; the working directory when left out.

    Raises:
        ConstructionError: no such construction, or a file with a fault; the message names file, key, value and remedy.
    """
    path = _locate(name_or_path, base)
    return _construction(path.stem, shown(path, 200), _FILES.read(path))


def _shipped_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    in_wheel = package / "calibration" / "constructions"
    return in_wheel if in_wheel.is_dir() else package.parent / "calibration" / "constructions"


def _locate(name_or_path: str, base: Path | None) -> Path:
    if not name_or_path.strip() or "\0" in name_or_path:
        raise ConstructionError("a construction has no name: give a stem or the path of a .toml file")
    if name_or_path.lower().endswith(".toml") or any(mark in name_or_path for mark in "/\\"):
        folder = base or Path()
        path = folder / name_or_path
        # A table written on Windows names its files with backslashes.
        for candidate in (path, folder / name_or_path.replace("\\", "/")):
            if _is_file(candidate):
                return candidate
        raise ConstructionError(f"{shown(path, 200)}: there is no such construction file")
    names = construction_names()
    if name_or_path not in names:
        close = difflib.get_close_matches(name_or_path, names, n=1)
        hint = f"did you mean {close[0]!r}? " if close else ""
        raise ConstructionError(
            f"construction {name_or_path!r} is not known: {hint}known are {', '.join(names)}; "
            "a file of your own is given by its path, ending in .toml"
        )
    return _shipped_folder() / f"{name_or_path}.toml"


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name too long for the file system, or a folder that may not be entered
        return False


class _Profile(Struct, frozen=True, forbid_unknown_fields=True):
    station: Annotated[tuple[Annotated[float, within(0.0, 1.0)], ...], listed(1, 401)]
    bending_stiffness: _Shape
    mass_per_length: _Shape


class _Uncertainty(Struct, frozen=True, forbid_unknown_fields=True):
    frequency_percent: _Percents


class _Torsion(Struct, frozen=True, forbid_unknown_fields=True):
    stiffness_ratio: Annotated[float, within(1e-3, 100.0)] | _Shape
    gyration_mm: Annotated[float, within(0.5, 500.0)]


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal["taptest.construction/1"]
    name: Annotated[str, text(LONGEST_NAME)]
    note: Annotated[str, text(4000, lines=True)]
    profile: _Profile
    uncertainty: _Uncertainty
    torsion: _Torsion | None = None
    shear: Shear | None = None
    learned: Learned | None = None


_FILES = DocumentFormat("construction file", _File, ConstructionError, 256 * 1024)


def _construction(stem: str, where: str, file: _File) -> Construction:
    station = file.profile.station
    if len(station) < 2 or station[0] != 0 or station[-1] != 1:
        raise _FILES.fault(where, "profile.station", list(station), "must start with 0.0 (tail) and end with 1.0 (tip)")
    for number, (before, after) in enumerate(pairwise(station), start=2):
        if after - before < _CLOSEST_STATIONS:
            rule = f"must be larger than the {before:g} before it, by {_CLOSEST_STATIONS:g} at least"
            raise _FILES.fault(where, f"profile.station, value {number},", after, rule)
    bending, mass = file.profile.bending_stiffness, file.profile.mass_per_length
    for key, values in (("profile.bending_stiffness", bending), ("profile.mass_per_length", mass)):
        _check_shape(where, key, values, len(station))
    torsion = file.torsion
    ratios: tuple[float, ...] = ()
    if torsion is not None:
        given = torsion.stiffness_ratio
        ratios = given if isinstance(given, tuple) else (given,) * len(station)
        _check_shape(where, "torsion.stiffness_ratio", ratios, len(station))
    # Only shapes are read: the rig and the balance set the scale, so any unit may have been used in the file.
    mid = float(np.interp(0.5, station, bending))
    mean = float(np.trapezoid(mass, station))
    return Construction(
        stem=stem,
        name=file.name.strip(),
        note=file.note.strip(),
        station=station,
        bending_stiffness=tuple(value / mid for value in bending),
        mass_per_length=tuple(value / mean for value in mass),
        frequency_percent=file.uncertainty.frequency_percent,
        torsion=None if torsion is None else Torsion(ratios, torsion.gyration_mm / 1000),
        shear=file.shear,
        learned=file.learned,
    )


def _check_shape(where: str, key: str, values: tuple[float, ...], stations: int) -> None:
    if len(values) != stations:
        raise _FILES.fault(where, key, counted(values), f"must have one for each of {stations} stations")
    if max(values) / min(values) > _LARGEST_CONTRAST:
        rule = f"must not vary by more than a factor of {_LARGEST_CONTRAST:g}"
        raise _FILES.fault(where, key, f"{min(values):g} to {max(values):g}", rule)
