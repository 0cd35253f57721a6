"""Construction files: how stiffness and mass are spread along a ski; rig and balance give the scale."""

import difflib
import re
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from pathlib import Path
from typing import Any

import numpy as np

from taptest.core.errors import ConstructionError, shown
from taptest.core.small_files import parse_toml, read_regular

SCHEMA = "taptest.construction/1"
LONGEST_NAME = 80

_LARGEST_FILE_BYTES = 256 * 1024
_MOST_STATIONS = 401
_MOST_ORDERS = 100
_LONGEST_NOTE = 4000
_LONGEST_REMARK = 200
_MOST_SKIS = 100_000
_CLOSEST_STATIONS = 1e-6
_PROFILE_LOW, _PROFILE_HIGH = 1e-12, 1e12
# More than this is a slip of the pen, and would cost the lowest modes their digits.
_LARGEST_CONTRAST = 1e6
_KEYS = {
    "": {"schema", "name", "note", "profile", "uncertainty", "torsion", "shear", "learned"},
    "profile": {"station", "bending_stiffness", "mass_per_length"},
    "uncertainty": {"frequency_percent"},
    "torsion": {"stiffness_ratio", "gyration_mm"},
    "shear": {"rigidity_ratio", "thickness_mm"},
    "learned": {
        "frequency_factor",
        "shared_percent",
        "error_percent",
        "skis_per_order",
        "skis",
        "left_out",
        "base",
        "lots",
        "made",
        "software",
    },
}


@dataclass(frozen=True)
class Torsion:
    """GJ/EI at every station of the construction, and the polar radius of gyration in metres."""

    stiffness_ratio: tuple[float, ...]
    gyration_m: float


@dataclass(frozen=True)
class Shear:
    """kappa G A L²/EI_mid, taken as the same all along, and the thickness in metres for the rotary inertia mu t²/12."""

    rigidity_ratio: float
    thickness_m: float


@dataclass(frozen=True)
class Learned:
    """What measured skis added to the profile, and where it comes from.

    `frequency_factor` multiplies each bending order that the profile predicts, the last one repeats. `shared_percent` is
    the standard deviation of what all modes of a ski share (rig, balance and build together), as those skis had it; it
    stands in for what is said of rig and balance. For people: `error_percent`, the root mean square error of each order
    when every ski was predicted from the others (0 where it was never heard), `skis_per_order` in which it was heard,
    `skis` used and `left_out`, the `base` whose profile it is, the `lots`, when it was `made` and with which `software`.
    """

    frequency_factor: tuple[float, ...]
    shared_percent: float
    error_percent: tuple[float, ...] = ()
    skis_per_order: tuple[int, ...] = ()
    skis: int = 0
    left_out: int = 0
    base: str = ""
    lots: tuple[str, ...] = ()
    made: str = ""
    software: str = ""

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
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise ConstructionError(
                f"{shown(path, 200)}: larger than {_LARGEST_FILE_BYTES // 1024} kB, which no construction file needs to be"
            )
        text = read_regular(path)
    except UnicodeDecodeError as error:
        raise ConstructionError(
            f"{shown(path, 200)}: byte {error.start} is not UTF-8; save the file as UTF-8"
        ) from error
    except OSError as error:
        raise ConstructionError(f"{shown(path, 200)}: cannot be read ({error.strerror})") from error
    try:
        document = parse_toml(text)
    except (ValueError, RecursionError) as error:
        # A number of thousands of digits is a plain ValueError, which a syntax error of TOML is too.
        raise ConstructionError(f"{shown(path, 200)}: not valid TOML: {shown(error, 120)}") from error
    return _Reader(path, document).construction()


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


class _Reader:
    """Takes a parsed file apart; every message begins with the file's name."""

    def __init__(self, path: Path, document: dict[str, Any]) -> None:
        self.path = path
        self.document = document

    def construction(self) -> Construction:
        if self.document.get("schema") != SCHEMA:
            raise self._fault("schema", self.document.get("schema"), f'must be "{SCHEMA}"')
        self._check_keys("", self.document)
        profile = self._table("profile", needed=True)
        station = self._numbers(profile, "profile", "station", low=0.0, high=1.0)
        if len(station) < 2 or station[0] != 0 or station[-1] != 1:
            raise self._fault("profile.station", list(station), "must start with 0.0 (tail) and end with 1.0 (tip)")
        for number, (before, after) in enumerate(pairwise(station), start=2):
            if after - before < _CLOSEST_STATIONS:
                rule = f"value {number} must be larger than the {before:g} before it, by {_CLOSEST_STATIONS:g} at least"
                raise self._fault("profile.station", after, rule)
        bending = self._profile(profile, "profile", "bending_stiffness", len(station))
        mass = self._profile(profile, "profile", "mass_per_length", len(station))
        # Only shapes are read: the rig and the balance set the scale, so any unit may have been used in the file.
        mid = float(np.interp(0.5, station, bending))
        mean = float(np.trapezoid(mass, station))
        uncertainty = self._table("uncertainty", needed=True)
        percent = self._numbers(uncertainty, "uncertainty", "frequency_percent", low=0.01, high=50.0, most=_MOST_ORDERS)
        return Construction(
            stem=self.path.stem,
            name=self._text("name", LONGEST_NAME, lines=False),
            note=self._text("note", _LONGEST_NOTE, lines=True),
            station=station,
            bending_stiffness=tuple(value / mid for value in bending),
            mass_per_length=tuple(value / mean for value in mass),
            frequency_percent=percent,
            torsion=self._torsion(len(station)),
            shear=self._shear(),
            learned=self._learned(),
        )

    def _torsion(self, stations: int) -> Torsion | None:
        table = self._table("torsion")
        if table is None:
            return None
        ratio = table.get("stiffness_ratio")
        if isinstance(ratio, list):
            values = self._profile(table, "torsion", "stiffness_ratio", stations)
        else:
            values = (self._number(ratio, "torsion.stiffness_ratio", low=1e-3, high=100.0),) * stations
        gyration = self._number(table.get("gyration_mm"), "torsion.gyration_mm", low=0.5, high=500.0)
        return Torsion(values, gyration / 1000)

    def _shear(self) -> Shear | None:
        table = self._table("shear")
        if table is None:
            return None
        rigidity = self._number(table.get("rigidity_ratio"), "shear.rigidity_ratio", low=10.0, high=1e9)
        thickness = self._number(table.get("thickness_mm"), "shear.thickness_mm", low=0.1, high=200.0)
        return Shear(rigidity, thickness / 1000)

    def _learned(self) -> Learned | None:
        table = self._table("learned")
        if table is None:
            return None
        lots = table.get("lots", [])
        if not isinstance(lots, list) or len(lots) > _MOST_ORDERS:
            raise self._fault("learned.lots", lots, 'must be a list of texts, written ["lot.csv"]')
        counts = {}
        for key in ("skis", "left_out"):
            count = table.get(key, 0)
            if isinstance(count, bool) or not isinstance(count, int) or not 0 <= count <= _MOST_SKIS:
                raise self._fault(f"learned.{key}", count, f"must be a whole number from 0 to {_MOST_SKIS}")
            counts[key] = count
        texts = {key: self._remark(table.get(key, ""), f"learned.{key}") for key in ("base", "made", "software")}
        optional = {
            key: self._numbers(table, "learned", key, low=0.0, high=high, most=_MOST_ORDERS) if key in table else ()
            for key, high in (("error_percent", 50.0), ("skis_per_order", float(_MOST_SKIS)))
        }
        return Learned(
            frequency_factor=self._numbers(table, "learned", "frequency_factor", low=0.5, high=2.0, most=_MOST_ORDERS),
            shared_percent=self._number(table.get("shared_percent"), "learned.shared_percent", low=0.01, high=50.0),
            error_percent=optional["error_percent"],
            skis_per_order=tuple(int(value) for value in optional["skis_per_order"]),
            skis=counts["skis"],
            left_out=counts["left_out"],
            lots=tuple(self._remark(lot, "learned.lots") for lot in lots),
            **texts,
        )

    def _remark(self, value: object, where: str) -> str:
        """A short text for people, on one line."""
        if not isinstance(value, str) or len(value) > _LONGEST_REMARK or not value.isprintable():
            raise self._fault(where, value, f"must be a text of at most {_LONGEST_REMARK} printable characters")
        return value

    def _table(self, key: str, *, needed: bool = False) -> Any:
        table = self.document.get(key)
        if table is None and not needed:
            return None
        if not isinstance(table, dict):
            raise self._fault(key, table, f"must be a table, written [{key}]")
        self._check_keys(key, table)
        return table

    def _check_keys(self, table: str, entries: dict[str, Any]) -> None:
        for key in entries:
            if key not in _KEYS[table]:
                close = difflib.get_close_matches(key, _KEYS[table], n=1)
                hint = f" (did you mean {close[0]!r}?)" if close else ""
                where = f" in [{table}]" if table else ""
                raise ConstructionError(
                    f"{shown(self.path, 200)}: unknown key {key!r}{where}{hint}; known are {', '.join(sorted(_KEYS[table]))}"
                )

    def _text(self, key: str, longest: int, *, lines: bool) -> str:
        value = self.document.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self._fault(key, value, "must be a text that is not empty")
        if len(value) > longest:
            raise self._fault(key, f"{len(value)} characters", f"must have at most {longest}")
        # Escape sequences would reach the terminal through a table.
        forbidden = r"[^\S\n\t ]|[\x00-\x08\x0b-\x1f\x7f-\x9f]" if lines else r"[\x00-\x1f\x7f-\x9f]"
        found = re.search(forbidden, value)
        if found and not (lines and found.group() == "\r"):
            raise self._fault(key, found.group(), "must not hold control characters")
        return value.strip()

    def _profile(self, table: dict[str, Any], section: str, key: str, stations: int) -> tuple[float, ...]:
        values = self._numbers(table, section, key, low=_PROFILE_LOW, high=_PROFILE_HIGH)
        if len(values) != stations:
            raise self._fault(
                f"{section}.{key}", f"{len(values)} values", f"must have one for each of {stations} stations"
            )
        if max(values) / min(values) > _LARGEST_CONTRAST:
            rule = f"must not vary by more than a factor of {_LARGEST_CONTRAST:g}"
            raise self._fault(f"{section}.{key}", f"{min(values):g} to {max(values):g}", rule)
        return values

    def _numbers(
        self,
        table: dict[str, Any],
        section: str,
        key: str,
        *,
        low: float,
        high: float,
        most: int = _MOST_STATIONS,
    ) -> tuple[float, ...]:
        where, values = f"{section}.{key}", table.get(key)
        if not isinstance(values, list) or not values:
            raise self._fault(where, values, "must be a list of numbers, written [0.1, 0.2]")
        if len(values) > most:
            raise self._fault(where, f"{len(values)} values", f"must have at most {most}")
        return tuple(self._number(value, where, low=low, high=high, place=n) for n, value in enumerate(values, start=1))

    def _number(self, value: object, where: str, *, low: float, high: float, place: int = 0) -> float:
        of = f"value {place} " if place else ""
        # Comparing never overflows; turning a whole number of four hundred digits into a float does.
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < inf:
            raise self._fault(where, value, f"{of}must be a finite number")
        if not low <= value <= high:
            raise self._fault(where, value, f"{of}must lie between {low:g} and {high:g}")
        return float(value)

    def _fault(self, where: str, value: object, rule: str) -> ConstructionError:
        if value is None:
            return ConstructionError(f"{shown(self.path, 200)}: {where} is missing; it {rule}")
        found = repr(value)
        if len(found) > 60:
            found = found[:57] + "..."
        return ConstructionError(f"{shown(self.path, 200)}: {where} is {found}; it {rule}")
